"""What a minute of each zone gives and which water it takes: net rates, supplies and blends, the usual EC."""

from __future__ import annotations

import numpy as np

from scheduler.site import Site

Blend = tuple[tuple[int, float], ...]  # sources with their parts


def net_rates(site: Site) -> np.ndarray:
    """Depth that reaches the part of each zone its surface is watered for, shape (Z,) [mm/min].

    Gross rate times DU_LH, or times DU_LQ where the surface asks for its lower quarter (`models.hydraulics`).
    """
    return np.asarray(site.zones.gross_rate * site.net_share)


def water_supplies(site: Site) -> tuple[tuple[str, ...], np.ndarray, np.ndarray]:
    """Supplies of the zones: single sources, or the fixed blend of sources that carry a share."""
    if not site.sources:
        return ("water",), np.ones((len(site.zones), 1), dtype=bool), np.ones((1, 1))
    found: dict[Blend, int] = {}
    options = [[found.setdefault(b, len(found)) for b in _blends(site, listed)] for listed in site.zones.sources]
    share = np.zeros((len(found), len(site.sources)))
    for blend, k in found.items():
        for w, part in blend:
            share[k, w] = part
    open_to = np.zeros((len(site.zones), len(found)), dtype=bool)
    for z, chosen in enumerate(options):
        open_to[z, chosen] = True
    names = tuple(" + ".join(site.sources[w].name for w, part in blend if part > 0) for blend in found)
    return names, open_to, share


def _blends(site: Site, listed: tuple[int, ...]) -> list[Blend]:
    """What a zone that lists these sources may take, in the order it lists them: their fixed blend, or each alone."""
    sources = listed or tuple(range(len(site.sources)))
    shares = [site.sources[w].share for w in sources]
    if len(sources) > 1 and all(s is not None for s in shares) and sum(s or 0.0 for s in shares) > 0:
        total = sum(s or 0.0 for s in shares)
        return [tuple((w, (s or 0.0) / total) for w, s in zip(sources, shares, strict=True))]
    return [((w, 1.0),) for w in sources]


def usual_share(site: Site) -> tuple[np.ndarray, np.ndarray]:
    """Part of each source in the water a zone usually takes, its blend or the first source it names, (Z, W) [-].

    Also whether the zone can take no other, bool (Z,).
    """
    if not site.sources:
        return np.ones((len(site.zones), 1)), np.ones(len(site.zones), dtype=bool)
    share, alone = np.zeros((len(site.zones), len(site.sources))), np.zeros(len(site.zones), dtype=bool)
    for z, listed in enumerate(site.zones.sources):
        first, *others = _blends(site, listed)
        for w, part in first:
            share[z, w] = part
        alone[z] = not others
    return share, alone


def usual_source_ec(site: Site) -> np.ndarray:
    """ECw of the water each zone usually takes, shape (Z,) [dS/m]: its fixed blend, else the first source it names."""
    if not site.sources:
        return np.zeros(len(site.zones))
    ec = np.nan_to_num(np.array([s.ec for s in site.sources], dtype=float))
    found: dict[tuple[int, ...], float] = {}
    for listed in set(site.zones.sources):
        sources = list(listed or range(len(site.sources)))
        share = np.array([site.sources[w].share or 0.0 for w in sources])
        blended = len(sources) > 1 and all(site.sources[w].share is not None for w in sources) and share.sum() > 0
        found[listed] = float(share @ ec[sources] / share.sum()) if blended else float(ec[sources[0]])
    return np.array([found[listed] for listed in site.zones.sources])


def fits_alone(site: Site) -> np.ndarray:
    """Whether each zone's flow is within its pump and its branch when it runs alone, shape (Z,).

    A zone that is not can never run, on no night of the plan; the site's notes name it.
    """
    zones = site.zones
    pumps = np.array([*(p.capacity for p in site.pumps), np.inf])  # the last stands for none
    branches = np.array([*(b.capacity for b in site.branches), np.inf])
    return np.asarray(zones.flow <= np.minimum(pumps[zones.pump], branches[zones.branch]))
