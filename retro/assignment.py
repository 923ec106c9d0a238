"""The cheapest way to give each of some rows a column of its own.

The successive shortest paths of H. W. Kuhn's and J. Munkres's method, with potentials (from
memory; a test compares it with scipy). Ours because these matrices are a few players wide, and
loading an optimiser takes longer than all the rest of the copyist's work.
"""

from collections.abc import Sequence
from math import inf


def assign(costs: Sequence[Sequence[float]]) -> list[int]:
    """Give each row its column, no column twice, at the least total cost.

    Parameters
    ----------
    costs
        Shape (rows, columns), no more rows than columns.

    Returns
    -------
    list of int
        One column per row.
    """
    width = len(costs[0]) if costs else 0
    row_of: list[int | None] = [None] * width
    potentials = [0.0] * width
    reduced = [0.0] * len(costs)
    for row in range(len(costs)):
        _give_a_column(row, costs, row_of, potentials, reduced)
    columns = {row: column for column, row in enumerate(row_of) if row is not None}
    return [columns[row] for row in range(len(costs))]


def _give_a_column(
    row: int,
    costs: Sequence[Sequence[float]],
    row_of: list[int | None],
    potentials: list[float],
    reduced: list[float],
) -> None:
    """Find the shortest path from a row to a free column, and move the rows along it."""
    width = len(row_of)
    distance = [inf] * width
    before: list[int | None] = [None] * width
    done: list[int] = []
    here: int = row
    at: int | None = None
    while True:
        base = 0.0 if at is None else distance[at]
        for column in range(width):
            if column in done:
                continue
            way = base + costs[here][column] - reduced[here] - potentials[column]
            if way < distance[column]:
                distance[column], before[column] = way, at
        nearest = min((c for c in range(width) if c not in done), key=distance.__getitem__)
        done.append(nearest)
        at, taken_by = nearest, row_of[nearest]
        if taken_by is None:
            break
        here = taken_by
    end = distance[at]
    for column in done[:-1]:
        owner = row_of[column]
        if owner is not None:
            reduced[owner] += end - distance[column]
        potentials[column] -= end - distance[column]
    reduced[row] += end
    column = at
    while True:
        origin = before[column]
        row_of[column] = row if origin is None else row_of[origin]
        if origin is None:
            return
        column = origin
