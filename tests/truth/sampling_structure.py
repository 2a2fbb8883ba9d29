"""The structure behind the master tables of single sampling: a second way to every cell, to compare the tables with.

Along each diagonal of a master table stands the same plan. With the letters A, B, ... R (no I, no O) counted as i from
0 and the AQLs 0.010 ... 1000 as j from 0, the cell depends on k = i + j - 14 (tightened: 15) alone, but for the edges
of the table. From memory; it gave all 416 resolved cells of each master table (AQL up to 10) of a public transcription
of MIL-STD-105E, and the plans after Montgomery, Introduction to Statistical Quality Control, 2005.
"""

LETTERS = "ABCDEFGHJKLMNPQRS"
AQLS = (0.01, 0.015, 0.025, 0.04, 0.065, 0.1, 0.15, 0.25, 0.4, 0.65, 1, 1.5, 2.5, 4, 6.5, 10)
AQLS_PER_100 = (15, 25, 40, 65, 100, 150, 250, 400, 650, 1000)
ALL_AQLS = AQLS + AQLS_PER_100
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
# Table I of MIL-STD-105E: the lot that begins each row, and the letters of the levels in order.
CODE_LETTERS = {
    2: "AAAAAAB", 9: "AAAAABC", 16: "AABBBCD", 26: "ABBCCDE", 51: "BBCCCEF", 91: "BBCDDFG", 151: "BCDEEGH",
    281: "BCDEFHJ", 501: "CCEFGJK", 1201: "CDEGHKL", 3201: "CDFGJLM", 10001: "CDFHKMN", 35001: "DEGJLNP",
    150001: "DEGJMPQ", 500001: "DEHKNQR",
}  # fmt: skip
SIZES = (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000, 3150)
REDUCED_SIZES = (2, 2, 2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800)

_NORMAL = {0: (0, 1)} | {
    k: (ac, ac + 1) for k, ac in zip(range(3, 13), (1, 2, 3, 5, 7, 10, 14, 21, 30, 44), strict=True)
}
_TIGHTENED = {0: (0, 1)} | {
    k: (ac, ac + 1) for k, ac in zip(range(3, 12), (1, 2, 3, 5, 8, 12, 18, 27, 41), strict=True)
}
_REDUCED_105E = dict(
    zip(
        (0, *range(3, 13)),
        ((0, 1), (0, 2), (1, 3), (1, 4), (2, 5), (3, 6), (5, 8), (7, 10), (10, 13), (14, 17), (21, 24)),
        strict=True,
    )
)
_REDUCED_2859 = {k: (ac, ac + 1) for k, ac in zip((0, *range(4, 13)), (0, 1, 2, 3, 5, 6, 8, 10, 14, 21), strict=True)}
_FEW = (1, 2, 3, 5, 7, 10, 14, 21, 30)  # letters A and B, reduced, from AQL 25 on
_EDGES = {
    "reduced-105E": {
        0: {17 + step: (ac, ac + 1) for step, ac in enumerate(_FEW)},
        1: {16: (0, 2), 17: (1, 3), 18: (2, 4), 19: (3, 5)}
        | {17 + step: (ac, ac + 1) for step, ac in enumerate(_FEW) if step >= 3},
    },
    "reduced-2859-1": {row: {17 + step: (ac, ac + 1) for step, ac in enumerate(_FEW)} for row in (0, 1)},
}
_KINDS = {
    "normal": (_NORMAL, 14, 10, SIZES[:16]),
    "tightened": (_TIGHTENED, 15, 9, SIZES),
    "reduced-105E": (_REDUCED_105E, 14, 10, REDUCED_SIZES),
    "reduced-2859-1": (_REDUCED_2859, 14, 10, REDUCED_SIZES),
}


def _plan_at(kind, i, j):
    """Return (Ac, Re) of a cell that holds a plan, None for an arrow."""
    plans, offset, last, _ = _KINDS[kind]
    if kind in _EDGES and i < 2 and j >= 15:
        return _EDGES[kind][i].get(j)
    if LETTERS[i] == "S":
        return plans[3] if j == 2 else None
    if kind == "tightened" and (i, j) == (0, 15):
        return None
    k = i + j - offset
    is_extended = j >= 21 and i <= 4
    return plans.get(k) if is_extended or k <= last else None


def resolved(kind, letter, aql):
    """Return (letter, n, Ac, Re) that a cell leads to."""
    i, j = LETTERS.index(letter), ALL_AQLS.index(aql)
    _, offset, last, sizes = _KINDS[kind]
    rows = [row for row in range(len(sizes)) if _plan_at(kind, row, j) is not None]
    k = i + j - offset
    above, below = [row for row in rows if row < i], [row for row in rows if row > i]
    goes_up = k > last or (k == 1 and kind != "tightened" and above)
    if i in rows:
        row = i
    elif above and (goes_up or not below):
        row = above[-1]
    else:
        row = below[0]
    return LETTERS[row], sizes[row], *_plan_at(kind, row, j)
