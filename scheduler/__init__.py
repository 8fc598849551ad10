"""The application: everything with a file, a clock, a database or a screen; a room for each step of an evening.

Outermost first::

    __main__.py                   the program as it is started
    cli.py commands/ terminal/    the command line and what it prints; the only places that write to the terminal
    whatif/                       the standing evening under orders, outages and other weather; the season ahead
    serve/                        the same pages live in a browser on this machine
    nightly/                      the unattended evening, its ladder of plans
    evening.py                    `tonight`: its document, its files
    planning.py                   the list of its steps to a plan
    season/                       the account of a season: log, meters, allocation, simulations, pages
    export/ sheets/               tables for controllers; pages for people
    morning/ learn.py             the day after; what the record teaches
    ledger/                       what came in and what was decided, kept for ever
    document/                     the plan as a document: consequences, limits, words
    night/                        solve, round, cycles, pack, play back
    plan/                         site + state -> the arrays of the linear program
    salinity/                     how salty each zone is, flushes, upkeep
    state/                        demand, what ran, readings, where each zone stands
    feeds/                        series that come by themselves
    starter/                      a new site folder to begin from
    events.py supply.py nights.py edge.py   the calendar; rates and sources; which night; units at the edge
    site/                         the folder as written
    errors.py notes.py files.py ahead.py   what is wrong with the input; what was done in a simpler way; atomic writing

One way only: no room imports one above it, also not for typing. `tests/test_architecture.py` holds it.
"""
