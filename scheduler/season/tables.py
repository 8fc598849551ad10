"""nights.csv: every night of the log by zone and source, and every night of the meters, in cubic metres."""

from __future__ import annotations

import numpy as np
import pandas as pd

from scheduler.season.account import Record

COLUMNS = ("night", "what", "zone", "name", "surface", "class", "source", "meter", "minutes", "volume [m3]", "recorded")
DIGITS = 6  # millilitres: sums of many rows stay within the litre


def nights_csv(record: Record) -> str:
    """Give the table as text.

    `what` is "logged" or "metered"; a blended zone has a row for each source. `recorded` is "no" where the log gave
    minutes only, or where a meter's water was divided over several nights.
    """
    parts = (_logged(record), _metered(record))
    texts = [p.round(DIGITS).to_csv(index=False, header=False, lineterminator="\n") for p in parts]
    return ",".join(COLUMNS) + "\n" + "".join(texts)


def _logged(record: Record) -> pd.DataFrame:
    zones, log = record.zones, record.logged
    n, z = np.nonzero(log.ran.T)
    parts = []
    for w, source in enumerate(zones.sources):
        on = zones.share[z, w] > 0
        nn, zz = n[on], z[on]
        share = zones.share[zz, w]
        parts.append(
            pd.DataFrame(
                {
                    "night": log.nights.strftime("%Y-%m-%d").to_numpy()[nn],
                    "what": "logged",
                    "zone": zones.zone[zz],
                    "name": zones.name[zz],
                    "surface": zones.surface[zz],
                    "class": zones.area_class[zz],
                    "source": source,
                    "meter": "",
                    "minutes": log.minutes[zz, nn] * share,
                    "volume [m3]": log.volume[zz, nn] * share,
                    "recorded": np.where(log.estimated[zz, nn] > 0, "no", "yes"),
                }
            )
        )
    both = pd.concat(parts, ignore_index=True)
    return both.sort_values(["night", "zone", "source"], kind="stable")[list(COLUMNS)]


def _metered(record: Record) -> pd.DataFrame:
    metered, nights = record.metered, record.logged.nights.strftime("%Y-%m-%d").to_numpy()
    frames = []
    for i, meter in enumerate(metered.meters):
        on = np.flatnonzero(metered.covered[i])
        frames.append(
            pd.DataFrame(
                {
                    "night": nights[on],
                    "what": "metered",
                    "source": meter.source,
                    "meter": meter.name,
                    "volume [m3]": metered.volume[i, on],
                    "recorded": np.where(metered.spread[i, on] > 0, "no", "yes"),
                }
            )
        )
    if not frames:
        return pd.DataFrame(columns=list(COLUMNS))
    return pd.concat(frames, ignore_index=True).reindex(columns=list(COLUMNS))
