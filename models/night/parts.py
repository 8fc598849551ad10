"""Runs in parts: what finds no place whole is placed in pieces not below the smallest useful cycle."""

import numpy as np

from models.night.board import Board
from models.night.job import BoolArray

PART_LENGTHS = 8  # [-] lengths tried for a part of a cycle that found no place whole


def place_in_parts(board: Board, zone: int, length: int) -> int:
    """Place what fits of a cycle of `length` grid steps, the longest part first; returns the steps left."""
    step, least = int(board.resolution[zone]), int(board.least[zone])
    while length > 0:
        bad = board.marked(zone)
        part = 0
        for wanted in part_lengths(length, longest_run(bad), step, least):
            starts = board.starts(zone, wanted, bad)
            if starts.size:
                board.place(zone, int(starts[-1]), wanted)
                part = wanted
                break
        if not part:
            return length
        length -= part
    return 0


def longest_run(bad: BoolArray) -> int:
    """Longest stretch without a mark [grid steps]."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], bad, [True]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if edges.size else 0


def part_lengths(length: int, longest: int, step: int, least: int) -> list[int]:
    """Lengths to try, longest first; each leaves nothing, or enough for a useful cycle."""
    top = min(length, longest) // step * step
    lengths: list[int] = []
    while top >= least and len(lengths) < PART_LENGTHS:
        if length - top == 0 or length - top >= least:
            lengths.append(top)
            top -= step if len(lengths) < PART_LENGTHS // 2 else max(step, (top - least) // 3 // step * step)
        else:
            top = (length - least) // step * step
    return lengths
