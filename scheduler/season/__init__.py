"""The account of a season: every cubic metre by month, source, surface and zone; `evenfall season`.

In reading order::

    make.py                     `season_account`: the list of its steps
    span.py  record.py          which nights; the log and the meters as arrays
    turf.py  salts.py           demand, dry and soft zone-days; flushes, leaching, the course of ECe
    account.py  places.py       figures by month and source; by zone and surface
    money.py                    energy, allocation and its steps
    reconcile.py                meters against the log, and what explains a difference
    otherwise.py                simulations of plain practice
    words.py                    sentences
    document.py  parts.py      season.json, typed; its schema is generated
    tables.py  workbook.py      nights.csv; season.xlsx with live formulas
    charts.py  pages.py         season.html, statement.html, summary.html
    write.py                    all files of an account, or none
"""
