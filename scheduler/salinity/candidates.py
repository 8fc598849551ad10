"""Zones that ask for a salt flush: what the plan is given of them, and why they ask."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np

from models.plan.flush_needs import FlushNeeds
from scheduler.notes import Note


@dataclass(frozen=True)
class FlushCandidates:
    """The zones in question and why; arrays over them, (F,) unless said.

    Parameters
    ----------
    needs : FlushNeeds             What the plan takes.
    ece_now : ndarray              Mean ECe tonight [dS/m].
    layer_ece : ndarray (F, L)     ECe by layer tonight [dS/m].
    limit, target : ndarray        Limit of the mean ECe and what the flush brings it to [dS/m].
    passes : ndarray               Night after which the limit is passed without a flush, 0 if it is now.
    by : tuple of date             Last night on which the flush is in time.
    rise : ndarray                 Daily rise of the mean ECe without a flush [dS/m/d].
    wary : ndarray                 What the limit is held against, over the ECe believed [-].
    staged : ndarray               More flushes will be needed: one cannot do it.
    cause : tuple of str           Why a flush is asked for.
    beside : tuple of str          What else is to be said of it, "" without.
    spared : tuple of str          Zone ids whose flush the forecast rain does.
    notes : tuple of Note
    """

    needs: FlushNeeds
    ece_now: np.ndarray
    layer_ece: np.ndarray
    limit: np.ndarray
    target: np.ndarray
    passes: np.ndarray
    by: tuple[date, ...]
    rise: np.ndarray
    wary: np.ndarray
    staged: np.ndarray
    cause: tuple[str, ...]
    beside: tuple[str, ...]
    spared: tuple[str, ...]
    notes: tuple[Note, ...]

    def words(self, f: int, brings: str) -> str:
        """One sentence on a candidate: why, what a flush does or would do, and what else there is to say."""
        return f"{self.cause[f]}; {brings}{self.beside[f]}"

    def holds_for(self, f: int, ece: float) -> float:
        """Days until a zone that is flushed to a mean ECe [dS/m] is due again [d]."""
        return float((self.limit[f] - self.wary[f] * ece) / max(self.rise[f], 1e-6))


def nobody(
    dates: tuple[date, ...], supplies: int, layers: int, spared: tuple[str, ...] = ()
) -> FlushCandidates:  # fmt: skip
    """No zone in question, over so many supplies and layers of soil."""
    none, n = np.zeros(0), len(dates)
    needs = FlushNeeds(
        np.zeros(0, dtype=np.int64), np.zeros((0, supplies)), np.zeros((0, n), dtype=bool), np.zeros((0, n)), none
    )
    return FlushCandidates(
        needs, none, np.zeros((0, layers)), none, none, none.astype(int), (), none, none, none.astype(bool), (), (),
        spared, spared_notes(spared),
    )  # fmt: skip


def few_names(names: list[str] | tuple[str, ...]) -> str:
    """The first six names, and how many more."""
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")


def spared_notes(spared: tuple[str, ...]) -> tuple[Note, ...]:
    """What is said of zones whose flush the rain does."""
    if not spared:
        return ()
    return (Note("info", "salts", f"no flush where the forecast rain is expected to do it: {few_names(spared)}"),)
