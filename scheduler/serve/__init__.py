"""The live pages: the same sheets in a browser on this machine, and work that can be started from there.

`app.py`        the routes: every page of a site, what can be asked of it, and nothing else
`guard.py`      hosts, origins, token, headers: who may ask, and what a browser may do with the answer
`sites.py`      the sites that are served, in order of trouble; the files of their nights
`jobs.py`       commands at work in processes of their own: progress, stopping
`pages.py`      pages put together; `templates/`, `static/` what they are made of
`edits.py`      the manager's word for a night, written to edits.csv, with undo
`run.py`        starting the server                        `patient.py`   connections that say nothing are ended
`dropped.py`    a file dropped on the page, looked over as a feed is
"""
