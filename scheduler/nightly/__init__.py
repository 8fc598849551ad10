"""The unattended evening: a plan, or a named stand-in for one, before every opening.

`run.py`       the steps of one site's evening, each on its own feet; run again, it does only what is missing
`sites.py`     that over sites, one after the other       `steps.py`   what each step does
`hours.py`     when the run begins, and by when a plan must stand
`lock.py`      one run at a time a site; who holds it
`ladder.py`    full plan, cut short, tonight alone, last plan scaled, nothing new: which rung stands
`worker.py`    one rung in a process of its own, which can be ended
`rungs.py`     the plan of each rung
`scaled.py`    the last plan brought to tonight's demand and rain, cut to every limit
`records.py`   status.json as typed models, and its schema
`notice.py`    mail and webhook                           `log.py`     one log file a site, without secrets
`timer.py`     texts for systemd, cron and Windows
`doctor.py`    can it read, write, reach, solve, and does the clock agree
"""
