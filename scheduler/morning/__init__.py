"""The day after: what ran, what it did, where to walk first.

`report.py`     the steps of `evenfall morning`; its data in `records.py`
`response.py`   what probes answered                    `walking.py`   spots drier than their zone, to water by hand
"""
