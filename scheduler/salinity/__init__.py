"""How salty each zone is, and what is to be done about it.

`readings.py`   samples and probe EC -> ECe by layer          `followed.py`  probes followed through weeks
`history.py`    the balance of water and salt over past days  `mixing.py`    how well water leaches, learned
`evening.py`    all of them joined: ECe at opening time       `flushes.py`   zones that need a flush, why, by when
`flush_depths.py`  how deep it must go, what it spares       `candidates.py`  what the plan and the document get of it
`upkeep.py`     a little leaching in place of a flush         `leaching.py`  achieved against required
`report.py`     `evenfall salts`; its data in `records.py`
"""
