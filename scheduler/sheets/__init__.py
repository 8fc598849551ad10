"""What people and programs read after an evening.

`plan.schema.json`   the structure of plan.json, every field with its unit
`document.py`        reading, checking and writing plan.json
`night.py`           the night sheet: plan -> one self-contained HTML file; `sections.py` turns the plan into words and
                     numbers (`night_salts.py` what it says of salts, `names.py` its lists of zones), `charts.py` into
                     drawings, `templates/` places them
`keying.py`          the large-print list for a person at a controller's keypad
`edge.py`            from the units inside to the words on a sheet
"""
