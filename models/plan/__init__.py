"""The linear program that chooses run times, in reading order.

======================  =========================================================================
file                    what it holds
======================  =========================================================================
`inputs.py`             `PlanInputs`: the night's arrays, checked once
`prices.py`             what dryness, wetness and water cost: strict order by priority
`refill.py`             how much in one run: deep and seldom against room for rain
`zone_nights.py`        the words equations are written in: depletion, water, the night before
`balance.py`            variables of the root zone and its water balance, stress and firmness
`limits.py`             shared hard limits: pump, branch, stations at once, sources, allocation
`flush_needs.py`        `FlushNeeds`: which zones need salt flushed, how deep and when it may be
`copies.py`             root zones: one for most zones, several where there is something to choose
`flush_ways.py`         the ways of a zone that needs a flush, as copies of its root zone, and their cost
`flush.py`              what a flush is, in rows; copies weighed so that one way is taken
`choose.py`             which of them: a dive through the relaxation, and branch and bound
`groups.py`             the same for zones tied together by a tight limit, whose best choices raise the bound
`weathers.py`           root zones over the weathers that may come; the driest of them
`standing.py`           a small price on changing what stands in a controller keyed in by hand
`objective.py`          the sum of prices, with the value of the last night's water
`build.py`              `build_plan`, `lay_out`: the table of contents, only calls the builders in order
`pens.py`               how the builders put a plan down: as numbers alone, or as a Pyomo model
`symbols.py`            the Pyomo model: what it is written with, and how it is read off for a solver
`rows.py`               rows as the builders give them, and the matrices a solver reads
`highs.py`, `basis.py`  `Program`: a program in the solver, the only file that knows HiGHS; where a run ended
`spread.py`             inputs and prices by root zone: over the ways of a flush, over weathers
`flush_choice.py`       flushes chosen on a loaded plan
`apart.py`, `parts.py`  a large plan begun from its parts
`pieces.py`             these parts loaded, each by itself, and what they use at a price
`tied.py`, `sample.py`  the prices at which they keep what ties them, from some of them as one program
`sketch.py`             the same prices, about, from a few zones
`one_more.py`           what one more cubic metre would change
`solve.py`              `PlanSolver`: a plan loaded, edited, solved again
`ended.py`              where a run of a plan ended, and whether another had better go on from there
`edits.py`              which inputs are only numbers of a loaded plan, and these numbers
`cases.py`              `Cases`: the standing plan under other inputs
`results.py`            `PlanResult`: plain arrays; nobody else reads variables of a plan
======================  =========================================================================
"""
