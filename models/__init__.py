"""The science and the optimisation: arrays in, arrays out. No files, clocks, screens or databases here.

weather.py            reference ET by the best route each day's readings allow
sky.py                sun, daylight and air by date and place
turf.py               species and mixtures: monthly Kc, depletion fraction, rooting, salt tolerance
turf_weather.py       what weather does to turf beyond its water use: advice only
soil.py               water capacity, stress, the daily balance
textures.py           what soils of each texture hold, take and give     runoff.py    rain that enters the soil
drainage.py           water above field capacity: how it leaves, what turf takes of it
uneven_catch.py       how much longer a zone runs because sprinklers do not wet it evenly
hydraulics.py         application rate, uniformity, infiltration, friction, pump curves, pumping energy
allowance.py          water allowance by reference ET, as public rules write it
metering.py           volumes between meter readings, and what explains a difference from the log
practice.py           the water plain practice would have put on, within the limits of a site
salts.py              from a probe's reading to ECe; leaching requirement; what salt does to turf
layers.py             the root zone cut into layers     salt_balance.py    the balance that moves their water and salt
salt_step.py          one step of it                    salt_run.py        several, and their evenings
lingering.py          what of a deep night is still in the roots the evening after
salt_following.py     salinity followed by readings     leaching_fit.py    how well water leaches in a soil
flushing.py           how deep a flush must be          water_quality.py   what a water's analysis means
kin.py estimation.py  zones that are alike; where each zone stands: the filter
filter_state.py       what the filter carries           filter_ahead.py filter_readings.py   its two steps of a day
quality.py            which readings cannot be what the soil did: probe_record.py, probe_jumps.py, probe_standstill.py
forecast_members.py   weathers that may come            forecast_skill.py  how good forecasts have been
sensor_line.py        what a sensor sees                spot_fit.py        what one spot's readings say
learning.py           what many spots say of every zone                    plateaus.py   field capacity as held
onset.py              how far turf was seen to dry without stress
choices.py            numbers a manager or a scientist might choose otherwise, and how much they matter
plan/           the linear program over zones and nights, in reading order; the only Pyomo
night/          from minutes to a night that can run: rounding, cycles, packing, simulation

`plan` and `night` call the science files, never the other way; nothing here imports `scheduler`.

Arrays run over zones first, then nights: `(Z,)`, `(Z, N)`; weather runs over days `(T,)`. NaN means "not known" in
weather and is refused everywhere else.

Glossary: one name for each quantity, entered here before it is used
=========================  ==========  ============  ===================================================================
name                       symbol      unit          meaning; source
=========================  ==========  ============  ===================================================================
reference ET               ETo         mm/d          evapotranspiration of reference grass; FAO-56 Eq. 6, ASCE-EWRI 2005
crop coefficient           Kc          -             ETc / ETo of unstressed turf, by month; UC table after Meyer 1985
microclimate factor        -           -             factor on Kc of one zone, learned or given
gain of a sensor           g           -             change of its reading per change of the root zone's moisture
scale of drainage          L           mm            drainage falls by e as depletion grows by L; 1000 Zr FC / (2 b + 3)
crop ET                    ETc         mm/d          Kc ETo microclimate, without stress; FAO-56 Eq. 58
stress coefficient         Ks          -             share of ETc that dry soil allows; FAO-56 Eq. 84
actual ET                  ETa         mm/d          Ks ETc
extraterrestrial radiation Ra          MJ m-2 d-1    above the air, on the level; FAO-56 Eq. 21
solar radiation            Rs          MJ m-2 d-1    measured, or FAO-56 Eq. 35, 50
clear-sky radiation        Rso         MJ m-2 d-1    FAO-56 Eq. 37
net radiation              Rn          MJ m-2 d-1    FAO-56 Eq. 40
soil heat flux             G           MJ m-2 d-1    0 for daily steps; FAO-56 Eq. 42
daylight hours, sunshine   N, n        h             FAO-56 Eq. 34
vapour pressure            ea, es      kPa           actual and saturated; FAO-56 Eq. 11-19
wind at 2 m                u2          m/s           FAO-56 Eq. 47
field capacity             FC          m3/m3         water held after drainage; FAO-56 Table 19
wilting point              WP          m3/m3         water no longer taken up; FAO-56 Table 19
saturation                 -           m3/m3         total porosity; Rawls, Brakensiek & Saxton 1982
paste                      th_s        m3/m3         water of the saturated paste over the soil's volume
root depth                 Zr          m             depth from which the balance draws
total available water      TAW         mm            1000 (FC - WP) Zr; FAO-56 Eq. 82
depletion fraction         p           -             share of TAW used before stress; FAO-56 Table 22
readily available water    RAW         mm            p TAW; FAO-56 Eq. 83
depletion                  D           mm            water missing from field capacity, 0 to TAW; FAO-56 Eq. 85-86
rain, effective rain       P, Peff     mm/d          Peff = P - runoff
runoff                     RO          mm/d          curve number of turf; NEH 630 ch. 9-10
curve number               CN          -             of turf by hydrologic group; TR-55 App. A, NEH 630 ch. 9
drainage                   DP          mm/d          below the root zone; FAO-56 Eq. 88, in estimates slowing over days
surplus                    -           mm            water above field capacity on its way down; depletion below 0
infiltration               -           mm/h          rate the surface takes without ponding
application rate           a           mm/h          gross: flow / area; net: gross times the served share
run time, minutes          x           min           `run_time`: of the program, by block and supply; `minutes`: whole
                                                     steps of the controller, (Z,) of a night, (Z, N) by night
net irrigation             I           mm            depth that counts in the balance
distribution uniformity    DU_LQ       -             lowest quarter's mean catch / mean catch
served share               -           -             net / gross: 0.4 + 0.6 DU_LQ, or DU_LQ; Irrigation Association
saturation percentage      SP          %             water of the saturated paste by weight; laboratory tables
weather, member            s           -             one course of ET and rain that may come, with its weight
price of a run             -           mm            what one run less is worth in water
price of a change          -           mm            tonight a millimetre more or less than stands, in water
flow, volume               Q, V        L/s, m3
head                       H           m             total, of a pump
pump curve                 H(Q)        m over L/s    head and efficiency at full speed, straight lines between points
held head                  -           m             what a station holds at its outlet, before friction
friction                   hf          m             head lost in a branch, R Q^1.852; Hazen-Williams
resistance                 R           m/(L/s)^1.852 of a branch: 10.67 L / (1000^1.852 C^1.852 d^4.8704)
efficiency                 eta         -             wire to water
energy                     E           kWh           rho g V H / (eta 3.6e6)
EC of the water            ECw         dS/m          of the irrigation water
EC of the paste extract    ECe         dS/m          of the saturation extract; salt limits are in it
EC of pore water, bulk     ECp, ECb    dS/m          in the soil's water; as a probe reads it
salt threshold, slope      -           dS/m, %/dS/m  ECe where growth begins to fall, and how fast; Maas & Hoffman 1977
leaching requirement       LR          -             ECw / (5 ECe - ECw); Rhoades 1974
mean ECe                   -           dS/m          over the root depth; what a salt threshold is held against
flush depth                -           mm            drainage below the roots that brings the mean ECe to its target
harm of waiting            -           mm            ET lost to salt on a date because a flush has not run yet; Eq. 90
slow drainage              -           -             share of a date's ET taken from water above FC; 1 is FAO-56 Eq. 88
mixing, path spread        f, s        -             how passing water takes up a layer's salt; FAO-29 Table 3, Hoffman
error of ECe, of a probe   x, b        -             by which ln ECe is off, and by which its probe reads off
profile gain               -           -             ln of a half's mean ECe over that at a point; FAO-29 ch. 2
upkeep                     -           mm            drainage with ordinary watering, in place of a flush
adjustment factor          F           -             F of an allowance F x ETo x area; public codes
counted ET                 -           mm            ETo less the share of rain that a rule counts
owed                       -           -             share of one flush that is still to be made at the horizon's end
=========================  ==========  ============  ===================================================================

Index sets: `Z` zones, `N` nights, `T` days of weather, `B` tariff blocks, `P` pumps, `W` water sources, `S` scenarios.
"""

import sys
from importlib.util import LazyLoader, find_spec, module_from_spec

import numpy as np

# scipy takes every public name of numpy, these among them: nothing here needs them, and they take a twentieth of a
# command's start. So each is loaded when something of it is asked for.
for _name in ("numpy.f2py", "numpy.testing"):
    _found = find_spec(_name)
    if _found is not None and _found.loader is not None and _name not in sys.modules:
        _found.loader = LazyLoader(_found.loader)
        sys.modules[_name] = module_from_spec(_found)
        setattr(np, _name.partition(".")[2], sys.modules[_name])
        _found.loader.exec_module(sys.modules[_name])
