"""Vertical flow of water and salt in one column of soil, compiled: Richards' equation and mobile-immobile transport.

Water: d(theta)/dt = d/dz [K (dh/dz - 1)] - S, z down, solved implicitly in its mixed form with modified Picard steps
(Celia, Bouloutas & Zarba 1990, Water Resources Research 26, 1483). Retention and conductivity: van Genuchten (1980),
Mualem (1976); or, for checks against closed solutions, exponential (Gardner 1958). Water content is afterwards set by
the fluxes themselves, so that mass closes to rounding whatever the iteration left.

Roots: S = demand x density x a(h) x b(osmotic head), a by Feddes et al. (1978), b by van Genuchten & Hoffman (1984),
other roots making up for those in trouble until the mean ease falls below a threshold (Jarvis 1989).

Salt: van Genuchten & Wierenga (1976): moving water carries and disperses it, still water exchanges with it; upstream
weights, explicit, in steps below the Courant limit. Roots take none.

Lengths cm, time d, EC dS/m, salt dS/m cm. A column is a row of arrays; nothing here knows of zones.
"""

from __future__ import annotations

import os

import numpy as np

if os.environ.get("NUMBA_DISABLE_JIT") == "1":  # left as they are, as numba itself would leave them: it loads long

    def njit(**_: object):
        return lambda function: function

else:
    from numba import njit

VAN_GENUCHTEN, GARDNER = 0, 1
FREE, SEEPAGE, FIXED, CLOSED = 0, 1, 2, 3  # the lower end: unit gradient; over gravel; a head; none
# columns of a row of soil: kind, theta_r, theta_s, alpha [1/cm], n, Ks [cm/d], l, still water, specific storage [1/cm]
KIND, RESIDUAL, SATURATED, ALPHA, SHAPE, KS, POWER, STILL, STORE = range(9)
# root settings, heads as suction [cm]: wet limit and full uptake, dry limit at high and low demand, none, osmotic head
# at half uptake and its power, threshold of compensation
WET, MOIST, DRY_HIGH, DRY_LOW, NONE, HALF, STEEP, SHARED = range(8)
HIGH_DEMAND, LOW_DEMAND = 0.5, 0.1  # cm/d, Feddes et al. 1978
OSMOTIC = 367.0  # cm of suction a dS/m, 36 kPa a dS/m: USDA Handbook 60; status memory
LONGEST, SHORTEST = 1.0 / 24.0, 1.0 / 86400.0  # d
POND = 0.2  # cm that stand on turf before they run off
MOST_ITERATIONS = 12
CLOSE = 2e-5  # of water content between two iterations
# what a day adds up [cm or dS/m cm]
RAN_IN, RAN_OFF, OUT, OUT_SALT, IN_SALT, TAKEN, WANTED, BELOW, BELOW_SALT, UNLESS_WET = range(10)
# UNLESS_WET: what roots would have taken had too much water been no trouble to them: drought and salt alone


@njit(cache=True)
def water_content(h, s):
    """Water content at a pressure head."""
    if h >= 0.0:
        return s[SATURATED] + s[STORE] * h
    if s[KIND] == GARDNER:
        return s[RESIDUAL] + (s[SATURATED] - s[RESIDUAL]) * np.exp(s[ALPHA] * h)
    m = 1.0 - 1.0 / s[SHAPE]
    return s[RESIDUAL] + (s[SATURATED] - s[RESIDUAL]) * (1.0 + (-s[ALPHA] * h) ** s[SHAPE]) ** -m


@njit(cache=True)
def conductivity(h, s):
    """Hydraulic conductivity at a pressure head [cm/d]."""
    if h >= 0.0:
        return s[KS]
    if s[KIND] == GARDNER:
        return s[KS] * np.exp(s[ALPHA] * h)
    m = 1.0 - 1.0 / s[SHAPE]
    x = (-s[ALPHA] * h) ** s[SHAPE]
    inner = 1.0 - (x / (1.0 + x)) ** m
    return s[KS] * (1.0 + x) ** (-m * s[POWER]) * inner * inner


@njit(cache=True)
def capacity(h, s):
    """d(theta)/dh [1/cm]."""
    if h >= 0.0:
        return s[STORE]
    if s[KIND] == GARDNER:
        return s[ALPHA] * (s[SATURATED] - s[RESIDUAL]) * np.exp(s[ALPHA] * h)
    m = 1.0 - 1.0 / s[SHAPE]
    x = (-s[ALPHA] * h) ** s[SHAPE]
    span = s[SATURATED] - s[RESIDUAL]
    return span * m * s[SHAPE] * x / -h * (1.0 + x) ** (-m - 1.0) + 1e-9


@njit(cache=True)
def ease(h, demand, roots):
    """Feddes' reduction of uptake by drought [-] at a head, for a demand [cm/d]."""
    wet = -h
    if wet >= roots[NONE]:
        return 0.0
    share = (min(max(demand, LOW_DEMAND), HIGH_DEMAND) - LOW_DEMAND) / (HIGH_DEMAND - LOW_DEMAND)
    dry = roots[DRY_LOW] + share * (roots[DRY_HIGH] - roots[DRY_LOW])
    if wet <= dry:
        return 1.0
    return (roots[NONE] - wet) / (roots[NONE] - dry)


@njit(cache=True)
def air(h, roots):
    """Feddes' reduction of uptake by too much water [-] at a head."""
    return min(max((-h - roots[WET]) / (roots[MOIST] - roots[WET]), 0.0), 1.0)


@njit(cache=True)
def _uptake(h, theta, moving, dz, soil, density, roots, demand, day_demand, dt, sink):
    """Fill `sink` [cm/d] of each node; return what roots would take were nothing too wet."""
    count, weighted, unless_wet = h.size, 0.0, 0.0
    for i in range(count):
        sink[i] = 0.0
        if density[i] > 0.0:
            free = max(theta[i] - soil[i, STILL], 1e-3)
            strength = OSMOTIC * max(moving[i], 0.0) / (free * dz[i])
            salty = 1.0 / (1.0 + (strength / roots[HALF]) ** roots[STEEP])
            sink[i] = density[i] * ease(h[i], day_demand, roots) * salty
            unless_wet += sink[i]
            sink[i] *= air(h[i], roots)
            weighted += sink[i]
    unless_wet = demand * min(unless_wet / roots[SHARED], 1.0)
    if weighted <= 0.0 or demand <= 0.0:
        for i in range(count):
            sink[i] = 0.0
        return unless_wet
    for i in range(count):
        if sink[i] > 0.0:
            wanted = demand * sink[i] / max(weighted, roots[SHARED])
            left = 0.5 * (theta[i] - water_content(-roots[NONE], soil[i])) * dz[i] / dt
            sink[i] = min(wanted, max(left, 0.0))
    return unless_wet


@njit(cache=True)
def _picard(h, theta, dz, soil, sink, supply, lower, lower_head, gravity, dt, new, flux):
    """One implicit step: heads into `new`, fluxes down through the faces into `flux` [cm/d]; whether it converged."""
    n = h.size
    a, b, c, d = np.empty(n), np.empty(n), np.empty(n), np.empty(n)
    k = np.empty(n)
    new[:] = h
    done = False
    for turn in range(MOST_ITERATIONS):
        for i in range(n):
            k[i] = conductivity(new[i], soil[i])
        for i in range(n):
            cap = capacity(new[i], soil[i]) * dz[i] / dt
            a[i] = c[i] = 0.0
            b[i] = cap
            d[i] = cap * new[i] - (water_content(new[i], soil[i]) - theta[i]) * dz[i] / dt - sink[i]
        for i in range(n - 1):
            mid = (k[i] * dz[i] + k[i + 1] * dz[i + 1]) / (dz[i] + dz[i + 1])
            link = mid / (0.5 * (dz[i] + dz[i + 1]))
            b[i] += link
            c[i] -= link
            b[i + 1] += link
            a[i + 1] -= link
            d[i] -= gravity * mid
            d[i + 1] += gravity * mid
        top = 0.5 * (k[0] + soil[0, KS])
        link = top / (0.5 * dz[0])
        most = link * (0.0 - new[0]) + gravity * top
        if supply <= most:
            d[0] += supply
        else:
            b[0] += link
            d[0] += gravity * top
        if lower == FREE:
            d[n - 1] -= gravity * k[n - 1]
        elif lower == FIXED or (lower == SEEPAGE and new[n - 1] + 0.5 * dz[n - 1] > 0.0):
            at = lower_head if lower == FIXED else 0.0
            last = k[n - 1] if lower == SEEPAGE else 0.5 * (k[n - 1] + conductivity(at, soil[n - 1]))
            link = last / (0.5 * dz[n - 1])
            b[n - 1] += link
            d[n - 1] += link * at - gravity * last
        for i in range(1, n):
            w = a[i] / b[i - 1]
            b[i] -= w * c[i - 1]
            d[i] -= w * d[i - 1]
        x = d[n - 1] / b[n - 1]
        worst = 0.0
        for i in range(n - 1, -1, -1):
            if i < n - 1:
                x = (d[i] - c[i] * x) / b[i]
            if not np.isfinite(x):
                return False
            change = abs(water_content(x, soil[i]) - water_content(new[i], soil[i]))
            if new[i] > -1.0 or x > -1.0:
                change = max(change, 1e-4 * abs(x - new[i]))
            worst = max(worst, change)
            new[i] = max(x, -1e6)
        if worst < CLOSE and turn > 0:
            done = True
            break
    for i in range(n):
        k[i] = conductivity(new[i], soil[i])
    top = 0.5 * (k[0] + soil[0, KS])
    flux[0] = min(supply, top / (0.5 * dz[0]) * -new[0] + gravity * top)
    for i in range(n - 1):
        mid = (k[i] * dz[i] + k[i + 1] * dz[i + 1]) / (dz[i] + dz[i + 1])
        flux[i + 1] = mid * ((new[i] - new[i + 1]) / (0.5 * (dz[i] + dz[i + 1])) + gravity)
    if lower == FREE:
        flux[n] = gravity * k[n - 1]
    elif lower == FIXED:
        last = 0.5 * (k[n - 1] + conductivity(lower_head, soil[n - 1]))
        flux[n] = last * ((new[n - 1] - lower_head) / (0.5 * dz[n - 1]) + gravity)
    elif lower == SEEPAGE:
        flux[n] = max(0.0, k[n - 1] * (new[n - 1] / (0.5 * dz[n - 1]) + gravity))
    else:
        flux[n] = 0.0
    return done


@njit(cache=True)
def _carry(theta, after, flux, dz, soil, moving, held, coming, dispersivity, exchange, dt, face):
    """Salt through one step of water; returns what left below. `face` gets what passed each face [dS/m cm]."""
    n = dz.size
    steps = 1
    for i in range(n):
        free = max(min(theta[i], after[i]) - soil[i, STILL], 1e-3) * dz[i]
        speed = max(flux[i], 0.0) + max(-flux[i], 0.0) + max(flux[i + 1], 0.0) + max(-flux[i + 1], 0.0)
        spread = dispersivity * speed / dz[i]
        steps = max(steps, int(np.ceil((speed + spread) * dt / (0.7 * free))))
    steps = min(steps, 400)
    part = dt / steps
    face[:] = 0.0
    strength, over = np.empty(n), np.empty(n + 1)
    for step in range(steps):
        share = step / steps
        for i in range(n):
            free = max(theta[i] + share * (after[i] - theta[i]) - soil[i, STILL], 1e-3) * dz[i]
            strength[i] = moving[i] / free
        over[0] = max(flux[0], 0.0) * coming
        for i in range(1, n):
            up = strength[i - 1] if flux[i] > 0.0 else strength[i]
            mixed = dispersivity * abs(flux[i]) / (0.5 * (dz[i - 1] + dz[i])) * (strength[i - 1] - strength[i])
            over[i] = flux[i] * up + mixed
        over[n] = max(flux[n], 0.0) * strength[n - 1]  # nothing salty comes up from below
        for i in range(n):
            moving[i] += part * (over[i] - over[i + 1])
            face[i] += part * over[i]
        face[n] += part * over[n]
    for i in range(n):
        free = max(after[i] - soil[i, STILL], 1e-3)
        if soil[i, STILL] > 0.0:
            even = (moving[i] + held[i]) * soil[i, STILL] / (free + soil[i, STILL])
            change = (1.0 - np.exp(-exchange * dt * (1.0 / soil[i, STILL] + 1.0 / free))) * (even - held[i])
            held[i] += change
            moving[i] -= change


@njit(cache=True)
def run_column(
    h, theta, moving, held, pond, dz, soil, density, roots, supply, coming, demand, bins,
    lower, lower_head, gravity, dispersivity, exchange, rooted, sums, seen_water, seen_salt,
):  # fmt: skip
    """Run one column through a day; arrays of state change in place, `sums` gathers; returns the pond [cm].

    supply, demand : (T,) [cm/d] in bins of `bins` (T,) [d]; coming (T,) [dS/m] of the supply; rooted: face under the
    roots, whose flow is counted in BELOW. seen_water, seen_salt: (R, n) get them by volume R times in the day.
    """
    n, every = h.size, bins.size // seen_water.shape[0]
    new, flux, after = np.empty(n), np.empty(n + 1), np.empty(n)
    face, sink = np.empty(n + 1), np.empty(n)
    dt = LONGEST / 4.0
    day_demand = 0.0
    for t in range(bins.size):
        day_demand += demand[t] * bins[t]
    for t in range(bins.size):
        left = bins[t]
        while left > 1e-12:
            dt = min(dt, left, LONGEST)
            unless_wet = _uptake(h, theta, moving, dz, soil, density, roots, demand[t], day_demand, dt, sink)
            rate = supply[t] + pond / dt
            good = _picard(h, theta, dz, soil, sink, rate, lower, lower_head, gravity, dt, new, flux)
            if not good and dt > SHORTEST:
                dt = max(dt / 3.0, SHORTEST)
                continue
            worst, biggest = 0.0, 0.0
            for i in range(n):
                after[i] = theta[i] + dt * (flux[i] - flux[i + 1] - sink[i]) / dz[i]
                worst = max(worst, soil[i, STILL] - after[i])
                biggest = max(biggest, abs(after[i] - theta[i]))
            if (worst > 0.0 or biggest > 0.1) and dt > SHORTEST:
                dt = max(dt / 3.0, SHORTEST)
                continue
            _carry(theta, after, flux, dz, soil, moving, held, coming[t], dispersivity, exchange, dt, face)
            taken = 0.0
            for i in range(n):
                h[i], theta[i] = new[i], after[i]
                taken += sink[i]
            pond = max(pond + (supply[t] - flux[0]) * dt, 0.0)
            over = max(pond - POND, 0.0)
            pond -= over
            sums[RAN_IN] += flux[0] * dt
            sums[RAN_OFF] += over
            sums[OUT] += flux[n] * dt
            sums[OUT_SALT] += face[n]
            sums[IN_SALT] += face[0]
            sums[TAKEN] += taken * dt
            sums[UNLESS_WET] += unless_wet * dt
            sums[WANTED] += demand[t] * dt
            sums[BELOW] += flux[rooted] * dt
            sums[BELOW_SALT] += face[rooted]
            left -= dt
            dt *= 1.6 if biggest < 0.02 else 1.0
        if (t + 1) % every == 0:
            for i in range(n):
                seen_water[t // every, i], seen_salt[t // every, i] = theta[i], (moving[i] + held[i]) / dz[i]
    return pond


@njit(cache=True)
def run_columns(
    h, theta, moving, held, pond, dz, soil, density, roots, supply, coming, demand, bins,
    lower, lower_head, gravity, dispersivity, exchange, rooted, count, sums, seen_water, seen_salt,
):  # fmt: skip
    """Run many columns through a day: each array of `run_column` with columns first; `count` nodes of each."""
    for j in range(h.shape[0]):
        n = count[j]
        pond[j] = run_column(
            h[j, :n], theta[j, :n], moving[j, :n], held[j, :n], pond[j], dz[j, :n], soil[j, :n],
            density[j, :n], roots[j], supply[j], coming[j], demand[j], bins, lower[j], lower_head[j], gravity,
            dispersivity[j], exchange[j], rooted[j], sums[j], seen_water[j], seen_salt[j],
        )  # fmt: skip
