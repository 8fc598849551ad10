"""What we chose and a manager or a scientist might choose otherwise: gathered here, each with what it does.

No source gives these numbers. Those that change a plan come first, then those that only change what people are told.
What a site can say itself (moisture floors, firmness limits, finish times, prices, nightly hours) is in its folder;
what only serves the calculation (tolerances, sizes, how long to wait for a lock) stands where it is used; what was
measured says so there.

How far they matter is measured by `python -m tests.bench.bench_choices`, which moves each by a quarter on invented
sites and counts water, minutes, zone-days and what is told; each group says what that came to. Where "made courses" are
named they have 24 or 30 zones, salty greens, probes and a log; the shipped course has so full a night that any change
at all moves 4 to 6 % of tonight's minutes. What is not named changed nothing there: it is a bound for what they do not
hold.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Band:
    """How a plan keeps inside the moisture band.

    Moved by a quarter, on made courses: `widest_margin` 0.6 % of the water and 2 to 12 % of tonight's minutes;
    `event_wet_weight` and `least_band` below 0.1 % of the water, one or two soft zone-days of twenty. `margin_share`
    1.5 % of the water where there is no forecast, and so one weather to plan for.

    Parameters
    ----------
    margin_share : float       Of the spread of an estimate by which a plan for one weather keeps inside the dry limit
                               at least [-]; for several the word for caution says it.
    margin_followed : float    Of that share where probes are heard: the filter then follows the dry places too [-].
    widest_margin : float      That margin at most, of the dry limit [-].
    event_wet_weight : float   Softness around an event against softness on an ordinary night [-].
    least_band : float         Of the dry limit that must stay between the two limits [-].
    onset : float              Depletion at which stress is likely to set in, of RAW [-]: there the filter lets ET
                               slacken, as soils for tuning do.
    onset_spread : float       Of it, one standard deviation, of RAW [-].
    driest : float             Of TAW that turf is led to at most where probes watch it [-].
    light : float              Of what a word lets turf dry past RAW, on light soils [-].
    first : float              Of what turf may dry past RAW, with the surfaces served first [-].
    """

    margin_share: float = 0.5
    margin_followed: float = 0.4
    widest_margin: float = 0.2
    event_wet_weight: float = 4.0
    least_band: float = 0.2
    onset: float = 2.0
    onset_spread: float = 0.6
    driest: float = 0.75
    light: float = 0.36
    first: float = 0.5


@dataclass(frozen=True)
class Events:
    """Nights kept free around what stands in the calendar.

    A night more or less before play, on made courses: no more than 0.2 % of the water, but flushes move, and with them
    1 to 41 % of tonight's minutes. A night after a fertigation changed nothing.

    Parameters
    ----------
    protected_before : int     Nights before a tournament or firm day without flushes.
    after_fertigation : int    Nights a fertigation is kept in the root zone.
    """

    protected_before: int = 2
    after_fertigation: int = 3


@dataclass(frozen=True)
class Drought:
    """How a drought order is counted.

    Two nights fewer or more, on made courses with half of their water and a cut of 30 %: the water of the horizon
    stays, 10 to 45 % more of it runs tonight, and dry zone-days change by a fifth either way.

    Parameters
    ----------
    nights : int               Nights in a row over which a cut is counted: a week is what orders are written for.
    """

    nights: int = 7


@dataclass(frozen=True)
class Flush:
    """When salt is flushed, how deep, and how wary of what is not known; reasons in `scheduler/salinity/flushes.py`.

    Moved by a quarter, on a made course: `stage_share` 19 % of the depth of flushes, 0.7 % of the water and, upwards,
    dry zone-days from 3 to 7; `wary`, `widest` and `saltier_part` below 0.1 % of the water, but in two dry seasons of
    tests/physics a tenth of `wary` is 0.7 % of the water and 3 of 1,920 zone-days over the limit. Of flushes that go in
    stages the others decide only the last: by nine tenths, a `largest_share` that small ends all flushes, `least_rest`
    and the two margins move two soft zone-days of eighteen, `target_share`, `smallest` and `most_owed` nothing, nor
    does `unread`. In six weeks on reclaimed water, in a finer soil (`tests/end_to_end/reclaimed.py`), `stage_share` by
    a quarter moves the water by 0.8 % and flushes within a fifth of their forecast from 92 to 94 and 90 %; `widest`
    downwards takes 3 % less water on greens, and 87 % are, upwards nothing. Seasons are in `tests/bench/README.md`.

    Parameters
    ----------
    target_share : float       Of the limit that a flush brings the mean ECe to [-].
    wary : float               Standard deviations of the ECe by which a zone may be saltier than believed [-].
    widest : float             Of the ECe that a standard deviation counts at most [-].
    widest_fed : float         The same over gravel, where tests/physics finds zones nearer to their belief [-].
    unread : float             Times as much where no probe reads and no sample was taken [-].
    least_rest : float         Days a flush must last [d].
    floor_margin : float       The limit is never nearer to what endless flushing ends at [-].
    target_margin : float      Nor the target [-].
    largest_share : float      Of the root zone's water at field capacity that flushing a zone passes at most [-].
    stage_share : float        Of the same that one of several flushes passes at most [-].
    smallest : float           Drainage that can be told from uneven watering [mm].
    saltier_part : float       ECe of the saltier part of a zone against its mean, where harm is judged [-].
    most_owed : float          Flushes owed at the end of the horizon that count at most [-].
    """

    target_share: float = 0.85
    wary: float = 0.3
    widest: float = 0.3
    widest_fed: float = 0.15
    unread: float = 1.8
    least_rest: float = 7.0
    floor_margin: float = 1.25
    target_margin: float = 1.1
    largest_share: float = 1.0
    stage_share: float = 1.0 / 3.0
    smallest: float = 2.0
    saltier_part: float = 1.25
    most_owed: float = 3.0


@dataclass(frozen=True)
class Spread:
    """How sure an estimate without the filter is.

    Moved by a quarter, on made courses: `unknown` 1 % of the water where neither probes nor a log speak; `daily_error`
    up to 0.6 %, and 15 % of tonight's minutes; `probe_error` 0.1 % without a log.

    Parameters
    ----------
    probe_error : float        Of one reading against the zone's mean, one standard deviation [m3/m3]; common practice.
    daily_error : float        Of a day's ET, one standard deviation, growing with the root of days [-].
    unknown : float            Of TAW, where nothing is known, and where the filter starts [-].
    widest : float             Of TAW, at most [-].
    oldest_reading : int       A reading this old no longer says where a zone stands, nor how salty it is [d].
    """

    probe_error: float = 0.02
    daily_error: float = 0.3
    unknown: float = 0.15
    widest: float = 0.4
    oldest_reading: int = 3


@dataclass(frozen=True)
class Prices:
    """How the plan weighs dryness against water; `models/plan/prices.py` holds the equations.

    Moved by a quarter, on made courses: `last_night` downwards 0.2 to 0.6 % less water and a quarter fewer soft
    zone-days, upwards nothing; `steepening` 0.2 % of the water, and downwards 8 % fewer dry zone-days where water is
    short; `turf` 0.1 %. `tail_share` speaks only for the caution "careful", `no_price` only where no price is named.

    Parameters
    ----------
    steepening : float         Very dry against dry [-]: above 1, so that dryness is shared rather than piled up.
    turf : float               Dryness of the last rank against the dearest ordinary water [-].
    no_price : float           Water where the site names no price [per m3]: thrift without a bill.
    last_night : float         Water missing after the last night against what replaces it [-].
    most_curved : float        Of a shortfall's price where ET can take more in a day than lies between RAW and TAW [-].
    tail_share : float         Of all weathers, the driest, whose mean counts besides the mean of all [-].
    """

    steepening: float = 1.5
    turf: float = 5.0
    no_price: float = 0.05
    last_night: float = 1.5
    most_curved: float = 10.0
    tail_share: float = 0.2


@dataclass(frozen=True)
class Catch:
    """How the extra for uneven catch is weighed; `models/uneven_catch.py` holds the course.

    Moved by a quarter: `et` downwards 1 to 4 % less water on made courses without rain and 12 % on the shipped stadium,
    whose soft zone-days rise from 10 to 16, upwards 1 %; `days` and `soft` 1 % on the stadium.

    Parameters
    ----------
    days : int                 Of weather looked back on [d]: the driest quarter falls behind meanwhile, and rain comes.
    fewest : int               Days without which the full extra is kept [d].
    et : float                 Water for one millimetre of ET that turf cannot take [mm], at the caution "even".
    soft : float               Water for one millimetre short of the firmness limit for a night [mm].
    """

    days: int = 42
    fewest: int = 21
    et: float = 9.0
    soft: float = 0.35


@dataclass(frozen=True)
class Weather:
    """What stands in for weather nobody gave, and when turf takes up water.

    Moved by a quarter: `mean` and `range` a fifth of the water, where no weather at all is known; `sunrise` and
    `sunset` up to 0.4 % of it, and 7 % of tonight's minutes. Errors of forecasts change nothing, even by nine tenths,
    on sites where a limit binds, which are planned for one weather.

    Parameters
    ----------
    recent_days : int          Days whose mean stands in for a missing forecast [d].
    mean, range : float        Temperatures of a site without any weather: a warm dry day [degC].
    assumed_days : int         Such days before tonight, so that readings of the last days count [d].
    sunrise, sunset : float    Hours between which turf takes up the ET of a date [h, local].
    eto_keeps, rain_keeps : float   Of an error of a forecast from one date to the next [-].
    wet_is_dull : float        Correlation of the error of ETo with that of rain [-].
    heaviest : float           Rain of a date beyond which more makes no difference between members [mm].
    """

    recent_days: int = 14
    mean: float = 25.0
    range: float = 14.0
    assumed_days: int = 7
    sunrise: float = 6.0
    sunset: float = 20.0
    eto_keeps: float = 0.6
    rain_keeps: float = 0.3
    wet_is_dull: float = -0.4
    heaviest: float = 25.0


@dataclass(frozen=True)
class Readings:
    """Which readings of moisture speak for tonight.

    Moved by a quarter, on a made course without a log and on the shipped stadium: `together` 0.5 % of the water. By
    nine tenths: `before_opening` downwards 3 % of it, the last three nothing, as no probe of theirs is stuck or silent.

    Parameters
    ----------
    before_opening : float     One farther before the opening is not the evening's [h].
    together : float           Those within this make the evening's, at most three [h].
    stuck_for : int            One value for so long while the turf uses water: the probe is stuck [h].
    stuck_readings : int       Readings that must agree for that.
    longest_silence : int      Nights in a row of which nothing is known, beyond which the balance says nothing [d].
    """

    before_opening: float = 10.0
    together: float = 2.0
    stuck_for: int = 48
    stuck_readings: int = 6
    longest_silence: int = 7


@dataclass(frozen=True)
class Salt:
    """How salinity is read and followed. Spreads are standard deviations of the natural logarithm of ECe.

    Moved by a quarter, on the shipped course: `slow` 1 % of the depth of flushes, every other less than 0.1 % of the
    water and of that depth; what moves of tonight's minutes is no more than on so full a night anything moves. By nine
    tenths nothing moves with `kin_spread` and the last seven: what is learned of f speaks in finer soils with probes in
    both halves, `flush_least` and `trend_days` only in the report on salts. Seasons on finer soils are replayed with
    most of them in `tests/bench/README.md`: none but noise lies between those in use and their neighbours. In six weeks
    on reclaimed water (`tests/end_to_end/reclaimed.py`) `slow` by a quarter moves the water by 1 to 2 % and flushes
    within a fifth of their forecast from 92 to 78 % downwards and 94 % upwards.

    Parameters
    ----------
    least_ece, most_ece : float   Outside them a reading is of the probe, not of the soil [dS/m].
    calm_from, calm_until : int   Hours of a date whose readings count: after the night has drained, before the next.
    pair_depth : float         Sample and probe farther apart in depth are no pair [cm].
    followed_for : int         Readings looked back over [d].
    laboratory_spread : float  Of a sample against its layer's mean.
    point_spread : float       Of an evening's reading at a point against its layer's mean.
    drift : float              That the balance gains with every day it runs alone [1/d].
    strays : float             That it gains with each day besides.
    unknown_spread : float     Of the balance that began from a stated start.
    stated_spread : float      Of that start itself: a zone may stand anywhere.
    kin_spread : float         Between a zone and what one probe of its kin says: neither gets or wants what was told.
    settles_upper, settles_lower : float   Of where the balance settles, in the upper and the lower half: with demand
                               over rate unsure by 0.15, times what a leaching fraction of 0.15 to 0.25 makes of it.
    spot_strays, spot_strays_fed : float   Of a spot's ECe from its zone's, for each part in one by which its driest
                               quarter catches less than the mean; over gravel, where more leaches, salt strays less.
    leached_spread : float     Of the fall of ln ECe by a leaching, which may be more or less [-].
    lowest_floor : float       Of RAW: salt never asks for soil wetter than this [-].
    start_leaching : float     Leaching fraction whose steady state a zone is taken to start from [-].
    slow : float               Of a date's ET that water above field capacity gives before it drains [-], between 0 (all
                               drains in the night) and 1 (FAO-56 Eq. 88). After flushes of sand in finer soils
                               (`tests/end_to_end/fine_soil.py`): 0 where it drains at once, 0.5 with K by all pores to
                               the 9th power, 0.8 with K by pores above field capacity to the 3rd. With 0.5 a flush
                               where it drains at once ended 23 % under its forecast.
    mixing_spread : float      Of the mixing factor f between soils before anything is known of one. Over 75 evenings in
                               four finer soils: twice as wide, a root pattern that is not FAO-29's passes for good
                               leaching; a fifth of it, nothing is learned where salt disperses most.
    alike : float              Of what one zone says of f that its kin say too [-]: what two layers cannot follow they
                               all show.
    misfit : float             Of a reading against the balance of the right f, where a spot's water is not its zone's
                               (tests/physics: half of it took tees for poor leachers that were flushed for nothing).
    misfit_for : float         Within which it strays alike [d].
    taught_days : int          Of readings in both halves from which a zone teaches f [d].
    flush_least : float        A night whose water passes the roots by this much counts as a flush [mm].
    trend_days : int           The present trend is taken over [d].
    """

    least_ece: float = 0.05
    most_ece: float = 60.0
    calm_from: int = 10
    calm_until: int = 18
    pair_depth: float = 6.0
    followed_for: int = 60
    laboratory_spread: float = 0.10
    point_spread: float = 0.15
    drift: float = 0.015
    strays: float = 0.03
    unknown_spread: float = 0.5
    stated_spread: float = 3.0
    kin_spread: float = 0.5
    settles_upper: float = 0.2
    settles_lower: float = 0.4
    spot_strays: float = 2.0
    spot_strays_fed: float = 1.0
    leached_spread: float = 0.25
    lowest_floor: float = 0.5
    start_leaching: float = 0.15
    slow: float = 0.2
    mixing_spread: float = 0.4
    alike: float = 0.5
    misfit: float = 0.4
    misfit_for: float = 10.0
    taught_days: int = 5
    flush_least: float = 15.0
    trend_days: int = 14


@dataclass(frozen=True)
class Runs:
    """From when a run is worth making; zones.csv may say `smallest_run` itself. Common practice, no source.

    Moved by a quarter, on made courses: less than 0.1 % of the water, two soft zone-days of twenty.

    Parameters
    ----------
    smallest_cycle : float     A shorter cycle wets leaves and little else [min].
    rotor_rate : float         Application rate below which a sprinkler is taken to turn [mm/h].
    rotor_run : float          Two or three turns of a rotor: fewer leave wedges without water [min].
    green, tee, elsewhere : float   Gross depth of which less stays on leaves and in thatch [mm].
    finer_room : float         Of a zone's hours that its cycles may take with their rests, where they are cut finer
                               than its soil must have them [-].
    """

    smallest_cycle: float = 2.0
    rotor_rate: float = 20.0
    rotor_run: float = 5.0
    green: float = 1.0
    tee: float = 1.5
    elsewhere: float = 2.0
    finer_room: float = 0.8


@dataclass(frozen=True)
class Tonight:
    """The timetable, and energy within the plan.

    Moved by a quarter, on a made course with a night filled to 160 % and on the shipped one: nothing. `little_left_out`
    decides only where 2 to 4 % find no place, the leads only before an event, `typical_flow` only where a pump's
    efficiency changes around it. `packed` and `at_once` were measured (`tests/bench/README.md`, "The night").

    Parameters
    ----------
    packed : float             Of a pump or branch that start times can be found for on a full night [-].
    at_once : float            Of that, for tonight: what a quick look places; beyond it chance says what is left out,
                               not rank [-].
    little_left_out : float    Of the night's minutes that may find no place without planning with less capacity [-].
    event_lead : float         Before the close by which an event's zones should be done [min]; common practice.
    short_night : float        Of a short window that this lead takes at most [-].
    typical_flow : float       Of a pump's capacity, whose head and efficiency price a cubic metre [-].
    """

    packed: float = 0.98
    at_once: float = 0.97
    little_left_out: float = 0.03
    event_lead: float = 60.0
    short_night: float = 0.25
    typical_flow: float = 0.75


@dataclass(frozen=True)
class Unattended:
    """The plan of before, where none can be made, and the hours of the nightly run where site.toml says none.

    Moved by a quarter, on a made course: nothing in a plan; they are bounds and hours.

    Parameters
    ----------
    oldest_plan : int               A plan may be scaled for [d].
    least_ratio, most_ratio : float   Of the demand reckoned with that a plan is scaled by [-].
    before_opening : int            By which a plan must stand [min].
    run : int                       Before that, at which the run begins [min].
    """

    oldest_plan: int = 14
    least_ratio: float = 0.25
    most_ratio: float = 1.5
    before_opening: int = 30
    run: int = 150


@dataclass(frozen=True)
class Feeds:
    """What of a service is not believed.

    Each only refuses or passes a document, so nothing of a plan was measured.

    Parameters
    ----------
    farthest : float           Between the site and the place a document is for; grids are 2 to 25 km wide [km].
    odd : float                Between the means of a forecast and of the days just observed [K]: more than the weather
                               changes in 3 days.
    old : float                A forecast updated longer ago is yesterday's [h].
    ahead : float              By which a service's clock may run ahead [min].
    whole_day : float          Of a day that must be spoken of for its extremes and amounts to count [-].
    """

    farthest: float = 30.0
    odd: float = 20.0
    old: float = 36.0
    ahead: float = 15.0
    whole_day: float = 0.75


@dataclass(frozen=True)
class Years:
    """How the weather of a season ahead is drawn from the record.

    Moved by a quarter, on 20 years drawn from one season of the shipped course, 79 dates each: `block` 0.8 % of the
    ETo, 7 to 13 % of its spread between years; `enough` downwards 2.6 % of it and a third of the spread.

    Parameters
    ----------
    block : int                Days in a row [d]: longer than most dry spells between two rains, short against a season.
    near : int                 Around a date that count as its time of the year [d].
    enough : int               Days of that time of the year in the record from which blocks come from it alone.
    least_forecasts : int      Forecasts against what came, without which their errors are not known.
    without_allocation : int   Looked ahead where the site has no season of its own [d].
    """

    block: int = 15
    near: int = 45
    enough: int = 60
    least_forecasts: int = 5
    without_allocation: int = 60


@dataclass(frozen=True)
class Told:
    """From when a sheet speaks of something.

    Moved by a quarter, on a made course: `apart` 5 to 20 % of the soft zone-days that are told.

    Parameters
    ----------
    apart : float              Of TAW beyond a limit, or one controller step, from which a zone-day counts [-].
    rain_likely : float        Chance from which rain is spoken of [-].
    rain_held : float          Held back for rain, mean over the zones it is held back in [mm].
    short_of_aim : float       ECe past its aim from which a flush is said to fall short of it [dS/m].
    widest_salt : float        Of the ECe that its standard deviation counts at most in a forecast [-]: what zones of
                               tests/physics are off by; 75 % of 234 flushes ended within their four in five.
    next_flush : float         Within which the flush after this one is told [d]: the weather beyond is not known.
    """

    apart: float = 0.02
    rain_likely: float = 0.25
    rain_held: float = 1.0
    short_of_aim: float = 0.15
    widest_salt: float = 0.3
    next_flush: float = 14.0


@dataclass(frozen=True)
class Advice:
    """From when the weather asks for a look; common practice, no source.

    Moved by a quarter: one advice more or less on one site of two.

    Parameters
    ----------
    drift_wind : float         Mean wind from which sprinklers drift [m/s]: 10 mph.
    hot : float                Daily maximum from which cool-season turf is under heat stress [degC].
    frost : float              Air temperature at which grass may freeze on a clear night [degC].
    """

    drift_wind: float = 4.5
    hot: float = 30.0
    frost: float = 2.0


@dataclass(frozen=True)
class Morning:
    """What the morning calls a trouble.

    Moved by a quarter, on one morning of the shipped course and two of made ones: `too_much` 3 to 7 more or fewer of 24
    zones with words; `after_closing` 1 to 7 spots to water by hand where there are 3; `off_by` one zone in 25. The
    others nothing, even by nine tenths: they speak where a valve or a sensor fails, and there none does.

    Parameters
    ----------
    off_by, off_minutes : float   Log and plan that differ by more than both are told [-], [min].
    as_planned : float         A run within this of its plan ran as planned [min].
    moved : float              By which a reading must rise for a flush to have reached its probe [m3/m3].
    too_much : float           Beyond field capacity that no flush asked for [mm].
    after_closing : float      By then water has come down to a probe [h].
    least_water : float        Of a night, from which an answer of a probe is expected [mm].
    least_nights : int         With water before, without which a sensor is not asked.
    usual_low : float          Quantile of its answers that a sensor nearly always reaches [-].
    no_answer : float          Of that: below it there was none [-].
    own_motion : float         Any sensor moves by itself [m3/m3].
    most_short : int           More zones than this, and than a third of those planned, ran short: another program ran.
    """

    off_by: float = 0.10
    off_minutes: float = 2.0
    as_planned: float = 0.5
    moved: float = 0.01
    too_much: float = 3.0
    after_closing: float = 8.0
    least_water: float = 2.0
    least_nights: int = 4
    usual_low: float = 0.15
    no_answer: float = 0.35
    own_motion: float = 0.004
    most_short: int = 8


@dataclass(frozen=True)
class HandWatering:
    """What the day crew is asked for.

    Moved by a quarter, on one morning of the shipped course: `largest_dose` 24 % of the water by hand downwards, 4 %
    upwards.

    Parameters
    ----------
    largest_dose : float       At once: more runs off or past the roots [mm].
    least_dose : float         Less is not worth a walk [mm].
    """

    largest_dose: float = 12.0
    least_dose: float = 1.0


@dataclass(frozen=True)
class Season:
    """What the account of a season says.

    Moved by a quarter, on the account of the shipped course: `drier` the sentence on what next season needs. `lead_in`,
    `beyond_weather`, `largest`, `blocked`, `longest_interval` and `least_gain` nothing, even by nine tenths.

    Parameters
    ----------
    lead_in : int              Before the season from which the balance runs, so that its start no longer matters [d].
    beyond_weather : float     Of use beyond what weather explains, from which it is said [-].
    drier : float              Of this season's need: a drier year where only one season is known [-].
    largest : float            A zone that used more than this beyond its log is no wrong flow [-].
    blocked : float            From which a zone's logged water hardly ran at all [-].
    longest_interval : float   Between readings of a meter, of its usual interval, over which they still speak [-].
    least_gain : float         Of the squared difference that an explanation must take away to be named [-].
    """

    lead_in: int = 60
    beyond_weather: float = 0.05
    drier: float = 1.10
    largest: float = 1.0
    blocked: float = -0.8
    longest_interval: float = 2.0
    least_gain: float = 0.25


@dataclass(frozen=True)
class Steady:
    """How tonight keeps to what stands in controllers that a person keys in.

    Moved by a quarter, on two evenings of a made course: nothing. From 1 to 3 mm `within` saves 8 of 133 minutes keyed
    on the shipped course (`bench_steady`). On a made course, eight evenings, minutes keyed anew and runs a night:
    without a price 33, 39; `near` 0.7 32, 39; 0.5 30, 39; 0.3 27, 41; 0 23, 45; `price` 0.02 as 0.05, 0.2 32, 39.

    Parameters
    ----------
    price : float              Of running a millimetre more or less than what stands, in water [mm].
    near : float               Of the depth a zone would take tonight by itself, from which what stands is kept to [-]:
                               less would make it run more often, which costs what a run does.
    within : float             Change of net depth that is not made where a site does not say [mm].
    looked_back : int          Nights back to the plan that stands, and that a sheet compares with [d].
    start_worth : float        Minutes at another energy price than planned that a kept start is worth [min].
    """

    price: float = 0.05
    near: float = 0.5
    within: float = 1.0
    looked_back: int = 3
    start_worth: float = 2.0


BAND, EVENTS, DROUGHT, FLUSH, SPREAD, PRICES, CATCH = Band(), Events(), Drought(), Flush(), Spread(), Prices(), Catch()
WEATHER, READINGS, SALT, TONIGHT, UNATTENDED = Weather(), Readings(), Salt(), Tonight(), Unattended()
FEEDS, YEARS, TOLD, MORNING, BY_HAND, SEASON = Feeds(), Years(), Told(), Morning(), HandWatering(), Season()
STEADY, RUNS, ADVICE = Steady(), Runs(), Advice()
