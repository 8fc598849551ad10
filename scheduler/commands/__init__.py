"""The commands, by when they are used; `scheduler/cli.py` names them all.

`first_day.py`    new, check, timer, doctor
`evening.py`      tonight, intake, export, nightly, serve
`afterwards.py`   morning, learn, salts, season
`cases.py`        whatif
"""
