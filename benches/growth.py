"""Growth of time and memory with each size, doubled five times: growth.py MENISCUS [--picture OUT.svg] [--runs R].

Sizes: repeats of every reading, injectors, conditions an injector (sweeps), pulse widths a sweep, and the stock of
`pick`. Prints a table in Markdown with the exponent of a power law fitted to the last three doublings, where the fixed
cost of starting no longer bends the line. Needs the packages of requirements.txt.
"""

import argparse
import os
import subprocess
import sys
import tempfile

import numpy as np

from speed import run

DOUBLINGS = 5


def capture(path, injectors=4, conditions=4, widths=12, repeats=3, seed=1):
    """An invented capture with a departure at short pulses, readings rounded to 0.01 ml."""
    rng = np.random.default_rng(seed)
    ladder = np.geomspace(1.2, 14.0, widths)
    with open(path, "w", encoding="ascii") as out:
        out.write("injector,pulse_width_ms,pulses,volume_ml,voltage_v,pressure_kpa,repeat\n")
        for i in range(injectors):
            slope = 4.2e-3 * np.exp(rng.normal(0, 0.02))
            for c in range(conditions):
                # Voltages first, then pressures: a grid of 16 voltages and more pressures.
                volts, kpa = 8 + 0.5 * (c % 16), 300 + 25 * (c // 16)
                dead = 0.3 + 0.5 * (8 / volts) ** 1.3
                for w in ladder:
                    pulses = min(4000, int(90 / (slope * w)))
                    truth = slope * np.sqrt(kpa / 300) * (w - dead + 0.2 * np.exp(-w / 0.6))
                    for repeat in range(1, repeats + 1):
                        read = pulses * truth * (1 + rng.normal(0, 0.003)) + rng.normal(0, 0.1)
                        out.write(f"G{i:05d},{w:.3f},{pulses},{read:.2f},{volts},{kpa},{repeat}\n")


def stock(path, count, seed=1):
    rng = np.random.default_rng(seed)
    amounts = 8000 * np.exp(0.04 * rng.normal(size=(count, 3))) * np.array([0.2, 1, 2])
    with open(path, "w", encoding="ascii") as out:
        out.write("injector,1.5 ms,4 ms,8 ms\n")
        for i, row in enumerate(amounts):
            out.write(f"S{i:05d}," + ",".join(f"{x / 1000:.5f}" for x in row) + "\n")


def measure(command, runs):
    return tuple(min(side) for side in zip(*(run(command) for _ in range(runs))))


def exponent(sizes, values):
    """Slope of the logarithms over the last three doublings."""
    return np.polyfit(np.log(sizes[-4:]), np.log(values[-4:]), 1)[0]


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("meniscus")
    parser.add_argument("--picture")
    parser.add_argument("--runs", type=int, default=3)
    asked = parser.parse_args()
    program = os.path.abspath(asked.meniscus)
    series = []
    fit = lambda path: [program, "fit", path, "--json"]
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "growth.csv")
        kinds = [
            ("repeats of a reading", lambda n: capture(path, repeats=n), 16, fit),
            ("injectors", lambda n: capture(path, injectors=n), 16, fit),
            ("sweeps an injector", lambda n: capture(path, conditions=n), 8, fit),
            ("pulse widths a sweep", lambda n: capture(path, injectors=2, conditions=2, widths=n), 8, fit),
            ("stock of pick", lambda n: stock(path, n), 500, lambda p: [program, "pick", p, "--size", "8", "--json"]),
        ]
        for name, write, first, command in kinds:
            sizes = [first * 2**k for k in range(DOUBLINGS + 1)]
            figures = []
            for size in sizes:
                write(size)
                figures.append(measure(command(path), asked.runs))
                print(f"{name} {size}: {figures[-1][0]:.3f} s, {figures[-1][1]:.0f} MB", file=sys.stderr, flush=True)
            series.append((name, sizes, [f[0] for f in figures], [f[1] for f in figures]))
    print(f"{len(os.sched_getaffinity(0))} cores, least of {asked.runs} runs\n")
    print("| doubled | from | to | time | memory | exponent of time | of memory |")
    print("|---|---|---|---|---|---|---|")
    for name, sizes, seconds, megabytes in series:
        print(
            f"| {name} | {sizes[0]:,} | {sizes[-1]:,} | {seconds[0]:.3f} to {seconds[-1]:.3f} s | {megabytes[0]:.0f} to "
            f"{megabytes[-1]:.0f} MB | {exponent(sizes, seconds):.2f} | {exponent(sizes, megabytes):.2f} |"
        )
    if asked.picture:
        draw(series, asked.picture)


def draw(series, path):
    import matplotlib

    matplotlib.use("svg")
    matplotlib.rcParams.update({"svg.hashsalt": "growth", "svg.fonttype": "none", "font.size": 10})
    import matplotlib.pyplot as plt

    figure, axes = plt.subplots(1, 2, figsize=(10, 4.4), layout="constrained")
    for (name, sizes, seconds, megabytes), mark in zip(series, "osd^v"):
        for axis, values in zip(axes, (seconds, megabytes)):
            doublings = np.log2(np.array(sizes) / sizes[0])
            axis.plot(doublings, values, marker=mark, color="black", linewidth=0.8, markersize=5, fillstyle="none", label=f"{name}, from {sizes[0]}")
    for axis, what in zip(axes, ("time, s", "resident memory, MB")):
        axis.set(yscale="log", xlabel="doublings of the size", title=what)
        axis.grid(True, which="major", linewidth=0.4)
    axes[0].legend(frameon=False, fontsize=8)
    figure.savefig(path, metadata={"Date": None, "Creator": None})


if __name__ == "__main__":
    main()
