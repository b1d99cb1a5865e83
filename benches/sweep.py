"""One sweep of 36 readings on one core: the program's fits as ratios to the same mathematics in NumPy and SciPy.

    cargo build --release --example sweep_speed
    python3 benches/sweep.py target/release/examples/sweep_speed

Line: weighted least squares with its covariance. Posterior: the Gaussian process at fixed scales (evidence, line over
the range with its covariance, the curve at the widths), by one Cholesky factor of SciPy on collapsed repeats. Both
sides must agree to 1e-8. The whole curve averages some hundred such posteriors; its time stands beside what NumPy
would take for as many.
"""

import json
import os
import subprocess
import sys
import tempfile
import timeit

import numpy as np
from scipy.linalg import cho_factor, cho_solve, solve_triangular

DECAY, LOCAL, RANGE, FINE = 1.4, [(0.5, 0.4, 1.0), (1.2, 1.0, 0.3)], (2.0, 12.0), 64
# The program states departures 0.5 ms past dead time, never before 1 ms.
S, X, SLOW, LOCAL_SD, MEAN, READ, REPEAT, OFFSET = 4.2, 0.6, 0.06, 0.025, -0.07, 350.0, 0.004, 300.0
ANCHOR = max(X + 0.5, 1.0)


def sweep(seed=1):
    rng = np.random.default_rng(seed)
    w = np.repeat([1.2, 1.4, 1.7, 2.0, 2.4, 3.0, 3.7, 4.6, 5.7, 7.0, 9.0, 12.0], 3)
    n = np.minimum(20000, np.round(92000 / (S * (w - X))))
    d = n * S * (w - X - 0.1 * np.exp(-(w - X - 0.5) / 1.2)) * (1 + rng.normal(0, 0.003, w.size)) + rng.normal(0, 300, w.size)
    return w, n, np.round(d / 1000) * 1000


def line(w, y, u):
    v = 1 / u**2
    design = np.column_stack([np.ones_like(w), w])
    covariance = np.linalg.inv(design.T @ (v[:, None] * design))
    return covariance @ (design.T @ (v * y)), covariance


def collapsed(w, n, d):
    """Widths with the mean of equal readings, their pulses, and how many."""
    widths, first, count = np.unique(w, return_index=True, return_counts=True)
    assert all(np.ptp(n[w == width]) == 0 for width in widths)
    return widths, n[first], np.array([d[w == width].mean() for width in widths]), count


def dying(x, decay):
    return np.exp(-(x - ANCHOR) / decay)


def kernel(a, b):
    k = SLOW**2 * np.outer(dying(a, DECAY), dying(b, DECAY))
    for decay, length, share in LOCAL:
        envelope = np.outer(dying(a, decay), dying(b, decay))
        rho = np.sqrt(3) * np.abs(a[:, None] - b[None, :]) / length
        k += LOCAL_SD**2 * share * envelope * (1 + rho) * np.exp(-rho)
    return S**2 * k


def posterior(w, n, d, grid):
    widths, pulses, mean, count = collapsed(w, n, d)
    tiny = (1e-7 * np.abs(mean).max()) ** 2
    noise = (READ**2 + (REPEAT * mean) ** 2 + tiny) / pulses**2 / count
    y = mean / pulses - S * MEAN * dying(widths, DECAY)
    fine = RANGE[0] + (RANGE[1] - RANGE[0]) * (np.arange(FINE) + 0.5) / FINE
    wanted = np.concatenate([grid, fine])
    k = kernel(widths, widths) + np.diag(noise)
    factor = cho_factor(k, lower=True)
    basis = np.column_stack([widths, np.ones_like(widths), 1 / pulses])
    white = cho_solve(factor, np.column_stack([y, basis]))
    a = basis.T @ white[:, 1:] + np.diag([0, 0, 1 / OFFSET**2])
    covariance = np.linalg.inv(a)
    beta = covariance @ (basis.T @ white[:, 0])
    cross = kernel(wanted, widths)
    rest = np.column_stack([wanted, np.ones_like(wanted), np.zeros_like(wanted)]) - cross @ white[:, 1:]
    curve = cross @ white[:, 0] + rest @ beta + S * MEAN * dying(wanted, DECAY)
    half = solve_triangular(factor[0], cross.T, lower=True)
    full = kernel(wanted, wanted) - half.T @ half + rest @ covariance @ rest.T
    operator = np.linalg.pinv(np.column_stack([fine, np.ones_like(fine)]))
    inside = slice(len(grid), None)
    return operator @ curve[inside], operator @ full[inside, inside] @ operator.T


def main():
    w, n, d = sweep()
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "sweep.csv")
        np.savetxt(path, np.column_stack([w, n, d]), delimiter=",", fmt="%.10g")
        ours = json.loads(subprocess.run([os.path.abspath(sys.argv[1]), path], check=True, capture_output=True, text=True).stdout)
    least = lambda f: 1e6 * min(timeit.repeat(f, number=200, repeat=5)) / 200
    y, u, grid = d / n, READ / n, np.unique(w)
    (intercept, slope), _ = line(w, y, u)
    q, covariance = posterior(w, n, d, grid)
    pairs = [(ours["line"]["slope"], slope), (ours["line"]["intercept"], intercept)]
    pairs += list(zip(ours["posterior"]["line"], q)) + list(zip(np.ravel(ours["posterior"]["covariance"]), covariance.ravel()))
    for mine, theirs in pairs:
        if abs(mine - theirs) > 1e-8 * abs(theirs):
            sys.exit(f"{mine} is not {theirs}")
    line_us, posterior_us = least(lambda: line(w, y, u)), least(lambda: posterior(w, n, d, grid))
    print("| one sweep of 36 readings, one core | meniscus | NumPy, SciPy | ratio |\n|---|---|---|---|")
    rows = [("weighted line", "line", line_us), ("posterior at fixed scales", "posterior", posterior_us)]
    for what, name, theirs in rows:
        print(f"| {what} | {ours[name]['us']:.2f} µs | {theirs:.0f} µs | 1 : {theirs / ours[name]['us']:.0f} |")
    print(f"| whole curve, averaged over scales, everything on | {ours['curve']['us']:.0f} µs | | |")


if __name__ == "__main__":
    main()
