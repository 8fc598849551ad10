"""The plan as a document: what an evening decided and what it will do, for programs and sheets.

`published.py`   puts the document together             `rules.py`     what must hold across its fields; its file
`limits.py`      which limits bind, and their price     `worth.py`     what one more cubic metre would do
`pumping.py`     energy and cost by tariff block        `late.py`      zones done later than they should be
`rain.py`        water held back for rain that may come
`left_out.py`    what found no place                    `words.py`     reasons in plain words
`plan.schema.json`   its structure, every field with its unit
"""
