"""The application: everything with a file, a clock, a database or a screen.

Map of the folder, in the order an evening passes through it::

    cli.py                          the command line; the only place that writes to the terminal
    evening.py  morning.py          one file for each thing a manager does;
    whatif.py   season.py           each reads like the list of its steps
    state.py  quality.py            where each zone stands tonight; which readings are believed
    intake.py  ledger/              what came in and what was decided, kept for ever
    export/  sheets/                the run-time table for the controller; the night sheet for people
    site/                           the site folder: reading it, checking it, starting a new one
    errors.py  notes.py             what is wrong with the input; what was done in a simpler way

One way only: command line -> evening, morning, what-if, season -> state, export, sheets -> site, ledger -> `models`.
"""
