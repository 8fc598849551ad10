"""What the commands print, and nothing else prints.

`command.py`    what every command does beside its job: dates as written, faults in one message
`progress.py`   the step that long work is at
`evening.py`    a planned night, what was understood of a site, salts
`records.py`    an intake, a lesson, a morning
`nightly.py`    an unattended run, the doctor, how good forecasts were
`whatif.py`     cases and sweeps        `season.py`     a season's account
`fleet.py`      many sites              `new_site.py`   what `evenfall new` asks
"""
