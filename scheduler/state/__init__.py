"""Where each zone stands tonight.

`demand.py`          weather and forecast -> ETo, rain and demand by date
`past_forecasts.py`  past forecasts against what came; `skill.py` how good they were, by lead day
`ran.py`             what the controller ran, from the log or the published plans
`quality.py`         which readings are doubted, and why
`readings.py`        believed readings of each sensor, evening by evening
`lingering.py`       what of a deep night is still in the roots the evening after, by its probes
`filtered.py`        the filter over all zones; `evening.py` joins it all: depletion and spread at opening time
`band.py`            the moisture band of a surface as depletions
`uneven.py`          how much longer zones run because sprinklers do not wet them evenly
`caution.py`         what a manager's word for caution means
`outlook.py`         the weather people ask about, around an evening
"""
