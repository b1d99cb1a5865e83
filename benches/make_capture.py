"""Writes an invented archive: make_capture.py INJECTORS OUT.csv [grouped|shuffled] [SEED].

540 rows an injector: 5 voltages, 3 pressures, 12 pulse widths, 3 repeats. The law is a line with a
departure that dies away; the same bytes for the same arguments and the same numpy.
"""

import sys

import numpy as np
import pyarrow as pa
import pyarrow.csv

VOLTS = np.array([8.0, 10.0, 12.0, 14.0, 16.0])
KPA = np.array([250.0, 300.0, 400.0])
WIDTHS = np.array([0.8, 1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 4.0, 5.0, 7.0, 10.0])
REPEATS = 3
PULSES = 1000
PERIOD_MS = 20
ROWS_AT_ONCE = 2_000_000
HEADER = b"injector,pulse_width_ms,pulses,volume_ml,voltage_v,pressure_kpa,period_ms,repeat\n"


def delivered_ml(injectors, rng):
    """Readings in ml of a train, rounded to the microlitre, in the order of the axes."""
    shape = (injectors, VOLTS.size, KPA.size, WIDTHS.size, REPEATS)
    slope = 5e-3 * np.exp(rng.normal(0, 0.02, injectors))
    shift = rng.normal(0, 0.02, injectors)
    bend = np.exp(rng.normal(0, 0.1, injectors))
    decay = 0.5 * np.exp(rng.normal(0, 0.05, injectors))
    flow = slope[:, None, None] * np.sqrt(KPA / 300)[None, None, :]
    dead = (0.25 + 0.5 * (8 / VOLTS) ** 1.3)[None, :, None] + shift[:, None, None]
    width = WIDTHS[None, None, None, :, None]
    line = flow[..., None, None] * (width - dead[..., None, None])
    departure = (0.3 * bend[:, None, None] * flow)[..., None, None]
    departure = departure * np.exp(-width / decay[:, None, None, None, None])
    noisy = (line + departure) * (1 + rng.normal(0, 0.004, shape)) + rng.normal(0, 2e-5, shape)
    return np.round(noisy.reshape(-1) * PULSES, 3)


def write(injectors, path, order, seed):
    rng = np.random.default_rng(seed)
    ids = pa.array([f"INJ{i:05d}" for i in range(injectors)])
    amounts = delivered_ml(injectors, rng)
    index = np.arange(amounts.size)
    if order == "shuffled":
        index = rng.permutation(amounts.size)
    options = pyarrow.csv.WriteOptions(include_header=False, quoting_style="none")
    with open(path, "wb") as out:
        out.write(HEADER)
        for start in range(0, amounts.size, ROWS_AT_ONCE):
            rows = index[start : start + ROWS_AT_ONCE]
            rest, repeat = np.divmod(rows, REPEATS)
            rest, width = np.divmod(rest, WIDTHS.size)
            rest, kpa = np.divmod(rest, KPA.size)
            injector, volts = np.divmod(rest, VOLTS.size)
            columns = {
                "injector": ids.take(pa.array(injector)),
                "pulse_width_ms": WIDTHS[width],
                "pulses": np.full(rows.size, PULSES, np.int32),
                "volume_ml": amounts[rows],
                "voltage_v": VOLTS[volts],
                "pressure_kpa": KPA[kpa].astype(np.int32),
                "period_ms": np.full(rows.size, PERIOD_MS, np.int32),
                "repeat": (repeat + 1).astype(np.int8),
            }
            pyarrow.csv.write_csv(pa.table(columns), out, options)


if __name__ == "__main__":
    order = sys.argv[3] if len(sys.argv) > 3 else "grouped"
    seed = int(sys.argv[4]) if len(sys.argv) > 4 else 1
    write(int(sys.argv[1]), sys.argv[2], order, seed)
