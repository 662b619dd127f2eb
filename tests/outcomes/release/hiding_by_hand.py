"""The least loss, found by trying every combination of steps in plain Python; for small tables."""

from collections import Counter, defaultdict
from itertools import combinations, product


def coarse(attribute, code, step):
    if step == len(attribute.steps):
        return "any"
    return attribute.steps[step - 1].into[code] if step else code


def small_rows(rows, attributes, node, k):
    """Rows whose class at a node has fewer than k patients."""
    keys = [
        tuple(coarse(one, row[one.code], step) for one, step in zip(attributes, node, strict=True))
        for row in rows
    ]
    people = defaultdict(set)
    for key, row in zip(keys, rows, strict=True):
        people[key].add(row["patient"])
    return [number for number, key in enumerate(keys) if len(people[key]) < k]


def loss(rows, attribute, step):
    """Iyengar's general loss of one attribute: the mean of (codes merged - 1) / (codes - 1)."""
    codes = attribute.finest or sorted({row[attribute.code] for row in rows})
    if len(codes) < 2:
        return 0.0
    merged = Counter(coarse(attribute, code, step) for code in codes)
    lost = [merged[coarse(attribute, row[attribute.code], step)] - 1 for row in rows]
    return sum(lost) / len(rows) / (len(codes) - 1)


def best(rows, attributes, k, allowed, needed=()):
    """The node to choose with the rows it drops; None where no node will do."""
    highest = [len(one.steps) - (one.code in needed) for one in attributes]
    found = []
    for node in product(*(range(top + 1) for top in highest)):
        dropped = small_rows(rows, attributes, node, k)
        if len(dropped) <= allowed:
            of = sum(loss(rows, one, step) for one, step in zip(attributes, node, strict=True))
            found.append((round(of, 12), len(dropped), sum(node), node, dropped))
    return min(found)[3:] if found else None


def in_the_way(rows, attributes, k, allowed, needed):
    """The needed attributes of which the fewest, given up as well, would do."""
    if len({row["patient"] for row in rows}) < k:
        return tuple(one.code for one in attributes)
    for size in range(1, len(needed) + 1):
        sets = [
            chosen
            for chosen in combinations(needed, size)
            if best(rows, attributes, k, allowed, set(needed) - set(chosen)) is not None
        ]
        if sets:
            return tuple(one.code for one in attributes if any(one.code in chosen for chosen in sets))
    raise AssertionError("giving all up is always enough")
