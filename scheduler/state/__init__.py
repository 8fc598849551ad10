"""Where each zone stands tonight.

`demand.py`     weather and forecast -> ETo, rain and demand by date
`past_forecasts.py`  past forecasts against what came
`ran.py`        what the controller ran, from the log or the published plans
`quality.py`    which readings are doubted, and why
`readings.py`   believed readings of each sensor, evening by evening
`filtered.py`   the filter over all zones; `evening.py` joins it all: depletion and spread at opening time
"""
