"""Pages for people.

`night.py`      the night sheet: plan -> one self-contained HTML file; `sections.py` turns the plan into words and
                numbers (`night_salts.py` what it says of salts, `names.py` its lists of zones), `charts.py` into
                drawings, `templates/` places them
`keying.py`     the large-print list for a person at a controller's keypad
`morning.py` `salts.py`   the pages of the day after and of salinity
"""
