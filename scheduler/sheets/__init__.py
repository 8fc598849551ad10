"""Pages for people.

`night.py`      the night sheet: plan -> one self-contained HTML file; `sections.py` turns the plan into words and
                numbers (with a file for each subject: `first_screen.py`, `runs.py`, `flow.py`, `coming.py`,
                `night_salts.py`), `charts.py` and `site_map.py` into drawings, `templates/` places them
`names.py`      lists of zones in words
`compiled.py`   compiled templates, kept as Python keeps its compiled modules
`zones.py`      a page of every zone: its course (`zone_course.py`), band and salts
`keying.py`     the large-print list for a person at a controller's keypad; `keying_programmes.py` where controllers
                hold programmes
`morning.py` `salts.py`   the pages of the day after and of salinity
"""
