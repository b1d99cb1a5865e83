"""Speed and memory as ratios to general-purpose tools, in one run: speed.py MENISCUS [--injectors N] [--runs R].

Every comparison alternates the two sides and keeps the least time of each, so that what else the
machine does weighs on both. Prints a table in Markdown. Needs the packages of requirements.txt.
"""

import argparse
import os
import subprocess
import sys
import tempfile
import time

HERE = os.path.dirname(os.path.abspath(__file__))
LINES = ["--lines", "--model", "line", "--line-range", "2ms..10ms"]


def run(command):
    """Wall time in s and peak resident memory in MB of a command that writes into a file."""
    start = time.perf_counter()
    with tempfile.TemporaryFile() as out:
        child = subprocess.Popen(command, stdout=out)
        _, status, usage = os.wait4(child.pid, 0)
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        sys.exit(f"{' '.join(command)}: status {child.returncode}")
    return time.perf_counter() - start, usage.ru_maxrss / 1024


def compare(ours, other, runs):
    """Least time and memory of ours, and of the other side, alternating."""
    best = [(float("inf"), 0.0)] * 2
    for _ in range(runs):
        for side, command in enumerate((ours, other)):
            best[side] = min(best[side], run(command))
    return best


def row(what, ours, other_name, other):
    (seconds, megabytes), (other_seconds, other_megabytes) = ours, other
    print(
        f"| {what} | {seconds * 1000:.1f} ms | {megabytes:.0f} MB | {other_name}: {other_seconds * 1000:.1f} ms, "
        f"{other_megabytes:.0f} MB | {seconds / other_seconds:.2f} |",
        flush=True,
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("meniscus")
    parser.add_argument("--injectors", type=int, default=20_000)
    parser.add_argument("--runs", type=int, default=5)
    asked = parser.parse_args()
    python, program = sys.executable, os.path.abspath(asked.meniscus)
    threads = len(os.sched_getaffinity(0))
    print(f"{threads} cores, {asked.injectors} injectors in the archive, least of {asked.runs} runs\n")
    print("| | meniscus | memory | beside it | ratio of times |")
    print("|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as folder:
        make = [python, os.path.join(HERE, "make_capture.py")]
        day = os.path.join(folder, "day.csv")
        subprocess.run([*make, "8", day], check=True)
        pair = compare([program, "--version"], [python, "-c", ""], 4 * asked.runs)
        row("start-up (`--version`)", pair[0], "Python, an empty script", pair[1])
        pair = compare([program, "fit", day, "--json"], [python, "-c", "import pandas"], asked.runs)
        row("a bench's day, 4,320 rows, everything on", pair[0], "`import pandas`", pair[1])
        for order in ("grouped", "shuffled"):
            archive = os.path.join(folder, f"{order}.csv")
            subprocess.run([*make, str(asked.injectors), archive, order], check=True)
            target = os.path.join(folder, "peer.ndjson")
            peer = [python, os.path.join(HERE, "peer_duckdb.py"), archive, target, str(threads)]
            pair = compare([program, "fit", archive, *LINES], peer, asked.runs)
            what = f"archive, {540 * asked.injectors:,} rows, {order}, CSV to JSON lines"
            row(what, pair[0], "DuckDB", pair[1])
            os.remove(archive)


if __name__ == "__main__":
    main()
