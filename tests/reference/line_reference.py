"""Cross-checks for the line fits, computed by other programs.

Writes tests/published/reference_scipy.json: lines by statsmodels, F, chi-squared
and Theil-Sen by SciPy, t and normal quantiles by mpmath at 40 digits.

    pip install -r tests/reference/requirements.txt
    python tests/reference/line_reference.py            writes the file
    python tests/reference/line_reference.py --check    compares it, exit 1 if it differs
"""

import json
import pathlib
import sys

import mpmath
import numpy
import scipy
import scipy.stats
import statsmodels
import statsmodels.api as sm

TARGET = pathlib.Path(__file__).resolve().parent.parent / "published" / "reference_scipy.json"
SEED = 20240
# Two builds of the linear algebra library differ in the last digits only.
SAME = 1e-10


def data_set(rng, n, weighted, offset):
    """A noisy line, rounded so that the file holds exactly what was fitted."""
    x = numpy.round(offset + numpy.sort(rng.uniform(0.5, 12.0, n)), 3)
    u = numpy.round(0.02 + 0.01 * x / max(1.0, offset), 4)
    noise = rng.normal(0.0, 1.0, n) * (u if weighted else 0.05)
    y = numpy.round(4.2 * (x - offset - 0.7) + noise, 4)
    return x, y, u


def line_block(rng):
    cases = []
    for n, weighted, offset in [(4, False, 0.0), (9, False, 0.0), (30, False, 50.0),
                                (5, True, 0.0), (12, True, 0.0), (40, True, 20.0)]:
        x, y, u = data_set(rng, n, weighted, offset)
        design = sm.add_constant(x)
        model = sm.WLS(y, design, weights=1.0 / u**2) if weighted else sm.OLS(y, design)
        fit = model.fit()
        case = {
            "x": x.tolist(), "y": y.tolist(), "u": u.tolist() if weighted else None,
            "intercept": fit.params[0], "slope": fit.params[1],
            "covariance": fit.cov_params().tolist(),
            "covariance_stated": fit.normalized_cov_params.tolist() if weighted else None,
            "residual_sd": float(numpy.sqrt(fit.scale)),
            "r_squared": fit.rsquared,
            "mean_response_at": 3.3,
            "mean_response_u": float(fit.get_prediction([[1.0, 3.3]]).se_mean[0]),
        }
        if not weighted:
            influence = fit.get_influence()
            case["leverages"] = influence.hat_matrix_diag.tolist()
            case["studentised"] = influence.resid_studentized_external.tolist()
        cases.append(case)
    return cases


def lack_of_fit_block(rng):
    cases = []
    for levels, repeats, bend in [(5, 3, 0.0), (6, 2, 0.05), (4, 4, 0.01)]:
        x = numpy.repeat(numpy.arange(1.0, levels + 1.0), repeats)
        y = numpy.round(2.0 * x + bend * x**2 + rng.normal(0.0, 0.1, x.size), 3)
        line = sm.OLS(y, sm.add_constant(x)).fit()
        means = sm.OLS(y, (x[:, None] == numpy.unique(x)).astype(float)).fit()
        f, p, _ = means.compare_f_test(line)
        cases.append({"x": x.tolist(), "y": y.tolist(), "f": float(f), "p": float(p)})
    return cases


def theil_sen_block(rng):
    cases = []
    for n in (6, 15):
        x = numpy.round(numpy.sort(rng.uniform(1.0, 10.0, n)), 1)
        y = numpy.round(3.0 * x - 1.0 + rng.standard_cauchy(n), 2)
        got = scipy.stats.theilslopes(y, x, 0.95, method="joint")
        cases.append({"x": x.tolist(), "y": y.tolist(), "level": 0.95,
                      "slope": float(got.slope), "intercept": float(got.intercept),
                      "low": float(got.low_slope), "high": float(got.high_slope)})
    return cases


def t_block():
    """Upper t quantiles; dof None is the normal distribution."""
    mpmath.mp.dps = 40
    cases = []
    dofs = ["0.5", "1", "1.7", "2", "3", "4.321", "9", "30", "99.5", "500", "999", "1000", "12345.6", "1e6", None]
    for dof in dofs:
        for tail in ["0.45", "0.25", "0.1", "0.025", "0.005", "0.0005", "1e-7"]:
            goal = mpmath.mpf(tail)
            if dof is None:
                root = mpmath.sqrt(2) * mpmath.erfinv(1 - 2 * goal)
            else:
                v = mpmath.mpf(dof)

                def log_tail(s):
                    t = mpmath.exp(s)
                    part = mpmath.betainc(v / 2, mpmath.mpf(1) / 2, 0, v / (v + t * t), regularized=True)
                    return mpmath.log(part / 2) - mpmath.log(goal)

                start = mpmath.log(mpmath.mpf(scipy.stats.t.isf(float(tail), float(dof))))
                root = mpmath.exp(mpmath.findroot(log_tail, (start, start + mpmath.mpf("1e-6"))))
            cases.append({"dof": None if dof is None else float(dof), "tail": float(tail), "t": float(root)})
    return cases


def tails_block():
    cases = []
    for f, d1, d2 in [(0.3, 1, 5), (4.0, 1, 5), (12.893, 1, 52), (2.5, 3, 20), (8.0, 7, 11.5), (60.0, 2, 90)]:
        cases.append({"what": "f", "value": f, "dof1": d1, "dof2": d2, "p": float(scipy.stats.f.sf(f, d1, d2))})
    for c, d in [(0.2, 1), (4.131, 4), (9.488, 4), (30.0, 7), (120.0, 100)]:
        cases.append({"what": "chi_squared", "value": c, "dof1": d, "dof2": None, "p": float(scipy.stats.chi2.sf(c, d))})
        cases.append({"what": "chi_squared_quantile", "value": float(scipy.stats.chi2.isf(0.05, d)), "dof1": d, "dof2": None, "p": 0.05})
    for t, d in [(0.3, 2), (2.1, 7.5), (5.0, 30), (9.0, 12)]:
        cases.append({"what": "t", "value": t, "dof1": d, "dof2": None, "p": float(2 * scipy.stats.t.sf(t, d))})
    return cases


def build():
    rng = numpy.random.default_rng(SEED)
    return {
        "kind": "reference",
        "generated": "by tests/reference/line_reference.py; do not edit",
        "seed": SEED,
        "versions": {"mpmath": mpmath.__version__, "numpy": numpy.__version__,
                     "scipy": scipy.__version__, "statsmodels": statsmodels.__version__},
        "lines": line_block(rng),
        "lack_of_fit": lack_of_fit_block(rng),
        "theil_sen": theil_sen_block(rng),
        "t_quantiles": t_block(),
        "tails": tails_block(),
    }


# A residual over its standard deviation is of order one, however near zero it comes: what is left
# of a difference of such size has no more digits than that.
OF_ORDER_ONE = {"studentised"}


def differences(old, new, where="", least=0.0):
    if isinstance(old, dict) and isinstance(new, dict):
        if old.keys() != new.keys():
            return [f"{where}: different keys"]
        return [d for k in old for d in differences(old[k], new[k], f"{where}/{k}", float(k in OF_ORDER_ONE))]
    if isinstance(old, list) and isinstance(new, list):
        if len(old) != len(new):
            return [f"{where}: different length"]
        return [d for i, (a, b) in enumerate(zip(old, new)) for d in differences(a, b, f"{where}/{i}", least)]
    if isinstance(old, float) and isinstance(new, float):
        return [] if abs(old - new) <= SAME * max(abs(old), abs(new), least) else [f"{where}: {old} against {new}"]
    return [] if old == new else [f"{where}: {old} against {new}"]


def main():
    fresh = json.loads(json.dumps(build()))
    if "--check" in sys.argv[1:]:
        found = differences(json.loads(TARGET.read_text(encoding="utf-8")), fresh)
        for line in found:
            print(line)
        sys.exit(1 if found else 0)
    TARGET.write_text(json.dumps(fresh, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
