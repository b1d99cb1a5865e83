"""Cross-checks for picking sets and placing injectors, computed by other programs.

Writes tests/published/sets/reference_pick.json: the most alike K of a stock and the
largest number of disjoint sets by CP-SAT (OR-tools), proved; the assignment with
the smallest worst cost, and with the smallest sum under that, by SciPy.

    pip install -r tests/reference/requirements.txt
    python tests/reference/pick_reference.py            writes the file
    python tests/reference/pick_reference.py --check    compares it, exit 1 if it differs
"""

import itertools
import json
import pathlib
import sys

import numpy
import ortools
import scipy
from ortools.sat.python import cp_model
from scipy.optimize import linear_sum_assignment

TARGET = pathlib.Path(__file__).resolve().parent.parent / "published" / "sets" / "reference_pick.json"
SEED = 7100
# The spread is a whole number of these in the model.
UNIT = 10**9
SAME = 2e-9


def stock(rng, n, points, correlation):
    """Amounts in whole units of 10 ppm of nominal: log-normal, spread 4 %."""
    common = rng.standard_normal((n, 1))
    own = rng.standard_normal((n, points))
    z = correlation**0.5 * common + (1 - correlation) ** 0.5 * own
    return numpy.rint(1e5 * numpy.exp(0.04 * z)).astype(int)


def spread(q, members):
    v = q[list(members)]
    return float(((v.max(0) - v.min(0)) / v.mean(0)).max())


def solver():
    s = cp_model.CpSolver()
    s.parameters.num_workers = 1
    s.parameters.random_seed = 1
    s.parameters.max_time_in_seconds = 300
    return s


def best_set(q, k):
    n, points = q.shape
    m = cp_model.CpModel()
    x = [m.NewBoolVar("") for _ in range(n)]
    m.Add(sum(x) == k)
    logs = numpy.log(q)
    near = [numpy.argsort(abs(logs - logs[i]).max(1), kind="stable")[:k] for i in range(n)]
    first = min(near, key=lambda s: spread(q, s))
    limit = int(spread(q, first) * UNIT) + 1
    worst = m.NewIntVar(0, limit, "")
    for p in range(points):
        a, b = int(q[:, p].min()), int(q[:, p].max())
        lo, hi = m.NewIntVar(a, b, ""), m.NewIntVar(a, b, "")
        for i in range(n):
            m.Add(lo <= int(q[i, p])).OnlyEnforceIf(x[i])
            m.Add(hi >= int(q[i, p])).OnlyEnforceIf(x[i])
        total = m.NewIntVar(k * a, k * b, "")
        m.Add(total == sum(int(q[i, p]) * x[i] for i in range(n)))
        product = m.NewIntVar(0, limit * k * b, "")
        m.AddMultiplicationEquality(product, [worst, total])
        m.Add(UNIT * k * (hi - lo) <= product)
        m.Add(hi - lo <= int(limit / UNIT * b) + 1)
    for i in range(n):
        m.AddHint(x[i], int(i in first))
    m.Minimize(worst)
    s = solver()
    if s.Solve(m) != cp_model.OPTIMAL:
        sys.exit("CP-SAT did not prove the best set")
    return spread(q, [i for i in range(n) if s.Value(x[i])])


def most_sets(q, k, tolerance):
    """Every set within the tolerance is listed; a packing problem is left."""
    sets = [s for s in itertools.combinations(range(len(q)), k) if spread(q, s) <= tolerance]
    m = cp_model.CpModel()
    x = [m.NewBoolVar("") for _ in sets]
    for i in range(len(q)):
        m.Add(sum(v for v, s in zip(x, sets) if i in s) <= 1)
    m.Maximize(sum(x))
    s = solver()
    if s.Solve(m) != cp_model.OPTIMAL:
        sys.exit("CP-SAT did not prove the number of sets")
    return len(sets), int(s.ObjectiveValue())


def assignment(cost):
    """Smallest worst cost by trying each level, then the smallest sum under it."""
    def served(level):
        barred = (cost > level).astype(float)
        return barred[linear_sum_assignment(barred)].sum() == 0
    worst = next(level for level in sorted(set(cost.flatten())) if served(level))
    allowed = numpy.where(cost <= worst, cost, 1e6)
    return float(worst), float(allowed[linear_sum_assignment(allowed)].sum())


def build():
    rng = numpy.random.default_rng(SEED)
    picks = []
    for n, points, k, correlation in [(30, 1, 5, 0.0), (60, 3, 6, 0.0), (60, 3, 6, 0.7),
                                      (120, 2, 8, 0.0), (150, 3, 8, 0.7), (80, 5, 4, 0.0)]:
        q = stock(rng, n, points, correlation)
        picks.append({"amounts": q.tolist(), "size": k, "spread": best_set(q, k)})
    packings = []
    for n, points, k, tolerance in [(20, 2, 3, 0.03), (24, 1, 4, 0.02), (24, 3, 3, 0.05), (22, 2, 4, 0.05)]:
        q = stock(rng, n, points, 0.5)
        count, most = most_sets(q, k, tolerance)
        packings.append({"amounts": q.tolist(), "size": k, "tolerance_percent": 100 * tolerance,
                         "sets_within": count, "most": most})
    assignments = []
    for n in [2, 3, 4, 6, 8, 12, 20]:
        cost = numpy.round(rng.uniform(0.0, 10.0, (n, n)), 3)
        worst, total = assignment(cost)
        assignments.append({"cost": cost.tolist(), "worst": worst, "sum": total})
    return {"made_by": f"ortools {ortools.__version__}, scipy {scipy.__version__}, numpy {numpy.__version__}",
            "seed": SEED, "picks": picks, "packings": packings, "assignments": assignments}


def same(a, b):
    if isinstance(a, dict):
        return a.keys() == b.keys() and all(same(a[k], b[k]) for k in a)
    if isinstance(a, list):
        return len(a) == len(b) and all(map(same, a, b))
    if isinstance(a, float) or isinstance(b, float):
        return abs(a - b) <= SAME * max(1.0, abs(a))
    return a == b


def main():
    new = build()
    if "--check" in sys.argv:
        old = json.loads(TARGET.read_text(encoding="utf-8"))
        for made in (old, new):
            made.pop("made_by")
        if not same(old, new):
            sys.exit(f"{TARGET.name} differs from what was computed")
        print(f"{TARGET.name}: the same")
    else:
        TARGET.write_text(json.dumps(new) + "\n", encoding="utf-8")


main()
