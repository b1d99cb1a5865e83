"""Posterior of the delivery curve at fixed scales, computed independently.

scikit-learn's GaussianProcessRegressor does the Gaussian-process algebra with
a kernel written here from the equations; the straight line with a flat prior
and the reading offset are added by generalised least squares (Rasmussen &
Williams 2006, equations 2.41-2.45) on single readings, nothing collapsed.

    python gp_posterior.py          writes ../published/curve/gp_posterior.json
    python gp_posterior.py --check  computes again and compares
"""

import json
import pathlib
import sys

import numpy as np
from scipy.linalg import lstsq
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import Kernel

DECAYS = [0.4, 0.8, 1.4, 2.4, 4.0]
LOCAL = [(0.5, 0.4, 1.0), (1.2, 1.0, 0.3)]
RANGE_POINTS = 64

READINGS = [
    # width ms, pulses, delivered mm3, further variance mm6
    (1.2, 20000, 43000.0, 0.0),
    (1.2, 20000, 43500.0, 0.0),
    (1.2, 5000, 10500.0, 400.0),
    (1.5, 20000, 71500.0, 0.0),
    (1.5, 5000, 17500.0, 0.0),
    (2.2, 14000, 93000.0, 0.0),
    (2.2, 14000, 92500.0, 0.0),
    (2.2, 3500, 23500.0, 2500.0),
    (3.3, 8000, 92000.0, 0.0),
    (3.3, 2000, 22500.0, 0.0),
    (5.0, 4800, 90000.0, 0.0),
    (5.0, 1200, 22500.0, 0.0),
    (8.0, 2800, 88500.0, 0.0),
    (8.0, 700, 22000.0, 0.0),
    (12.0, 1900, 92000.0, 0.0),
    (12.0, 1900, 92500.0, 0.0),
]
PERIOD = 14.5
SETUP = dict(offset_mean=-50.0, offset_uncertainty=300.0, pulse_scatter=0.02,
             line_range=[2.2, 12.0], grid=[1.35, 1.5, 2.0, 3.0, 6.0, 11.0])
SCALES = dict(slope=4.3, dead_time_ms=0.62, decay_index=2, slow_ms=0.06,
              local_ms=0.025, long_end_ms=0.08, mean_ms=-0.07,
              reading=350.0, repeatability=0.004)


def slow(w):
    return np.exp(-(w - SCALES["dead_time_ms"] - 0.5) / DECAYS[SCALES["decay_index"]])


def long_end(w):
    return np.exp(-((PERIOD - w) - 1.0) / 1.0)


class Departure(Kernel):
    """Covariance of the departure of two widths, (mm3 per pulse)^2."""

    def get_params(self, deep=True):
        return {}

    @property
    def theta(self):
        return np.array([])

    @theta.setter
    def theta(self, value):
        """Nothing is fitted."""

    @property
    def bounds(self):
        return np.empty((0, 2))

    def is_stationary(self):
        return False

    def diag(self, x):
        return np.array([self(x[i:i + 1])[0, 0] for i in range(len(x))])

    def __call__(self, x, y=None, eval_gradient=False):
        a = x[:, 0][:, None]
        b = (x if y is None else y)[:, 0][None, :]
        k = SCALES["slow_ms"] ** 2 * slow(a) * slow(b)
        k = k + SCALES["long_end_ms"] ** 2 * long_end(a) * long_end(b)
        for decay, length, share in LOCAL:
            envelope = np.exp(-(a - SCALES["dead_time_ms"] - 0.5) / decay)
            envelope = envelope * np.exp(-(b - SCALES["dead_time_ms"] - 0.5) / decay)
            rho = np.sqrt(3.0) * np.abs(a - b) / length
            k = k + SCALES["local_ms"] ** 2 * share * envelope * (1.0 + rho) * np.exp(-rho)
        k = k * SCALES["slope"] ** 2
        return (k, np.empty((*k.shape, 0))) if eval_gradient else k


def posterior():
    w, n, d, extra = np.array(READINGS).T
    count = len(w)
    # Repeatability is taken of the mean of equal readings.
    mean = np.array([d[(w == w[i]) & (n == n[i]) & (extra == extra[i])].mean() for i in range(count)])
    tiny = (1e-7 * np.max(np.abs(mean))) ** 2
    noise = (SCALES["reading"] ** 2 + n * SETUP["pulse_scatter"] ** 2
             + (SCALES["repeatability"] * mean) ** 2 + extra + tiny) / n ** 2
    y = (d - SETUP["offset_mean"]) / n - SCALES["slope"] * SCALES["mean_ms"] * slow(w)

    lo, hi = SETUP["line_range"]
    fine = lo + (hi - lo) * (np.arange(RANGE_POINTS) + 0.5) / RANGE_POINTS
    grid = np.array(SETUP["grid"])
    wanted = np.concatenate([grid, fine])

    basis = np.column_stack([w, np.ones(count), 1.0 / n])
    gp = GaussianProcessRegressor(kernel=Departure(), alpha=noise, optimizer=None)
    gp.fit(w[:, None], np.column_stack([y, basis]))
    pulled = gp.predict(wanted[:, None])
    gp_y = GaussianProcessRegressor(kernel=Departure(), alpha=noise, optimizer=None)
    gp_y.fit(w[:, None], y)
    _, inner = gp_y.predict(wanted[:, None], return_cov=True)
    log_y = gp_y.log_marginal_likelihood_value_

    # K^-1 by the Cholesky factor that scikit-learn keeps.
    white = np.linalg.solve(gp.L_, np.column_stack([y, basis]))
    prior = np.diag([0.0, 0.0, 1.0 / SETUP["offset_uncertainty"] ** 2])
    a = white[:, 1:].T @ white[:, 1:] + prior
    c = np.linalg.inv(a)
    # The offset's prior is one more row of the regression.
    rows = np.vstack([white[:, 1:], [0.0, 0.0, 1.0 / SETUP["offset_uncertainty"]]])
    beta = lstsq(rows, np.append(white[:, 0], 0.0))[0]

    rest = np.column_stack([wanted, np.ones(len(wanted)), np.zeros(len(wanted))]) - pulled[:, 1:]
    curve = pulled[:, 0] + rest @ beta + SCALES["slope"] * SCALES["mean_ms"] * slow(wanted)
    covariance = inner + rest @ c @ rest.T

    design = np.column_stack([fine, np.ones(RANGE_POINTS)])
    operator = np.linalg.pinv(design)
    q_fine = curve[len(grid):]
    line = operator @ q_fine
    line_covariance = operator @ covariance[len(grid):, len(grid):] @ operator.T

    fitted = beta @ a @ beta
    log_likelihood = (log_y + 0.5 * fitted - 0.5 * np.linalg.slogdet(a)[1]
                      - np.log(SETUP["offset_uncertainty"]) + np.log(2.0 * np.pi))
    beta = beta + [0.0, 0.0, SETUP["offset_mean"]]
    return dict(
        asymptote=beta.tolist(), asymptote_covariance=c.tolist(), line=line.tolist(),
        line_covariance=line_covariance.tolist(), curve=curve[:len(grid)].tolist(),
        curve_variance=np.diag(covariance)[:len(grid)].tolist(),
        log_marginal_likelihood=float(log_likelihood))


def main():
    path = pathlib.Path(__file__).parent.parent / "published" / "curve" / "gp_posterior.json"
    expected = posterior()
    if "--check" in sys.argv:
        kept = json.loads(path.read_text())["expected"]
        for key, value in expected.items():
            np.testing.assert_allclose(np.array(kept[key]), np.array(value), rtol=1e-9, err_msg=key)
        print("agrees to 1e-9")
        return
    document = dict(
        source="tests/reference/gp_posterior.py, scikit-learn with numpy as in requirements.txt",
        note="invented readings", period_ms=PERIOD, readings=READINGS, setup=SETUP,
        scales=SCALES, expected=expected)
    path.write_text(json.dumps(document, indent=1) + "\n")


if __name__ == "__main__":
    main()
