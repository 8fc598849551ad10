"""Runs in parts: what finds no place whole is placed in pieces not below the smallest useful cycle."""

import numpy as np

from models.night.board import Board
from models.night.job import BoolArray

EQUAL_PARTS = 3  # [-] equal parts tried of a cycle that found no place whole
PART_LENGTHS = 8  # [-] lengths tried for a part of a cycle that found no place whole


def place_evenly(board: Board, zone: int, length: int) -> int:
    """Place a cycle in the fewest equal parts that all find a place; returns the steps left, all or none."""
    step = int(board.resolution[zone])
    for count in range(1, EQUAL_PARTS + 1):
        steps = length // step
        if count > 1 and steps // count * step < board.least[zone]:
            return length
        done: list[tuple[int, int]] = []
        for part in range(count):
            wanted = (steps // count + (part < steps % count)) * step
            starts = board.starts(zone, wanted)
            if not starts.size:
                break
            board.place(zone, int(starts[-1]), wanted)
            done.append((int(starts[-1]), int(starts[-1]) + wanted))
        if len(done) == count:
            return 0
        for start, end in reversed(done):
            board.remove(zone, start, end)
    return length


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
