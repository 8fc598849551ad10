"""A finer physics for judging the product: it shares no equation and no code with `models`.

flow.py      one column: Richards' equation, roots, mobile-immobile salt, compiled
soils.py     published soils, profiles, turf; which serve for tuning and which are held out
columns.py   zones of four columns that catch unequal water, and what may be asked of them
probes.py    what a probe says of them
climate.py   two climates, and forecasts whose skill decays
world.py     a made site on all that: what is told, what is true, and a step of a night
"""
