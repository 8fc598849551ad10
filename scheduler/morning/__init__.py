"""The day after: what ran, what it did, where to walk first.

`report.py`     the steps of `evenfall morning`, and spots to water by hand; its data in `records.py`
`response.py`   which probes answered the night's water
`walking.py`    the list of places to walk to, the worst first
"""
