"""The plan as a document: what an evening decided and what it will do, for programs and sheets.

`planned.py`     everything an evening worked out, and what follows from its run times
`published.py`   puts the document together             `parts/`         the document as types
`zones.py`       one entry a zone                       `nights.py`      nights, surfaces, the season's water
`limits.py`      which limits bind, and their price     `worth.py`       what one more cubic metre would do
`pumping.py`     energy and cost by tariff block        `programmes.py`  what controllers hold, what to key in
`salts.py`       flushes, leaching, upkeep              `uneven.py`      the extra for uneven catch
`rain.py`        water held back for rain               `outlook.py`     weather, events and advice
`words.py`       why a zone runs or waits               `actions.py`     what a person should do
`left_out.py`    what found no place                    `late.py`        zones done later than they should be
`edits.py`       the manager's word and what it costs   `changes.py`     what differs from the evening before
`rules.py`       what must hold across its fields       `reading.py`     plans of earlier versions
`rung.py`        how a plan came about                  `schema.py`      its JSON Schema, `plan.schema.json`
"""
