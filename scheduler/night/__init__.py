"""Tonight as it will run.

`timetable.py`    the states of a night, from its first draft to what runs
`tonight.py`      what every step reads: arrays, solver, the manager's word, what stands
`capacity.py`     what a plan may count on
`draft.py`        solve, round, split into cycles, pack; smaller where the night is too full
`later.py`        the later nights as they follow from tonight
`lost.py`         what programmes cost against start times for every station
`several.py`      all of that for every weather that may come, or for the expected one alone
`job.py`          what the packer is given: cycles, hours, limits
`edits.py`        the manager's word for tonight
`held.py`         what controllers hold that take no start times, tonight and since the evening before
`programmes.py`   programmes laid and searched, the other zones packed around them
`own_times.py`    controllers that find their own start times
`percents.py`     a seasonal percent the manager chose
`smallest.py`     runs worth making: a short run waits or is lifted
`stands.py`       what the controllers hold since the last plan, kept where a change is too small
`whole_steps.py`  run times in the controller's steps, within every shared limit
`finish.py`       when each zone should be done          `records.py`  what is handed on
"""
