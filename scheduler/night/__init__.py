"""Tonight as it will run.

`timetable.py`    solve, round, split into cycles, pack, play back; again where the night is too full
`several.py`      that for every weather that may come, or for the expected one alone
`job.py`          what the packer is given: cycles, hours, limits
`edits.py`        the manager's word for tonight
`programmes.py`   controllers that hold programmes or find their own start times
`percents.py`     a seasonal percent the manager chose
`smallest.py`     runs worth making: a short run waits or is lifted
`whole_steps.py`  run times in the controller's steps, within every shared limit
`finish.py`       when each zone should be done          `records.py`  what is handed on
"""
