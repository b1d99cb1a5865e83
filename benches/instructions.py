"""Instructions that fixed tasks take, against a recorded baseline: instructions.py MENISCUS [--record].

Counted by valgrind's callgrind on one thread: a figure that a busy machine does not move. Fails when a task takes more
than a tenth above benches/instructions.json; `--record` writes that file. The counts belong to one release of the
compiler and of libc: with others, record first, on the commit before the change.
"""

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile

from growth import capture, stock

BASELINE = os.path.join(os.path.dirname(os.path.abspath(__file__)), "instructions.json")
LIMIT = 1.10


def count(command):
    environment = {**os.environ, "RAYON_NUM_THREADS": "1"}
    callgrind = ["valgrind", "--tool=callgrind", "--callgrind-out-file=/dev/null"]
    done = subprocess.run([*callgrind, *command], env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    refs = re.search(r"I\s+refs:\s+([\d,]+)", done.stderr)
    if refs is None:
        sys.exit(f"{' '.join(command)}: no count\n{done.stderr}")
    return int(refs.group(1).replace(",", ""))


def tasks(program, folder):
    path = lambda name: os.path.join(folder, name)
    capture(path("set.csv"))
    capture(path("many.csv"), injectors=200)
    stock(path("stock.csv"), 2000)
    subprocess.run([program, "fit", path("set.csv"), "-o", path("set.json")], check=True, stdout=subprocess.DEVNULL)
    return {
        "start": [program, "--version"],
        "whole curve, 16 sweeps of 36": [program, "fit", path("set.csv"), "--json"],
        "straight lines, 28,800 rows": [program, "fit", path("many.csv"), "--lines", "--model", "line", "--line-range", "2ms..10ms"],
        "best 8 of 2,000": [program, "pick", path("stock.csv"), "--size", "8", "--json"],
        "mapping proposed, 28,800 rows": [program, "map", "--from", path("many.csv")],
        "report of four": [program, "report", path("set.json"), "-o", path("report.html")],
    }


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("meniscus")
    parser.add_argument("--record", action="store_true")
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        counts = {name: count(command) for name, command in tasks(os.path.abspath(asked.meniscus), folder).items()}
    if asked.record:
        with open(BASELINE, "w", encoding="ascii") as out:
            json.dump(counts, out, indent=2)
            out.write("\n")
    with open(BASELINE, encoding="ascii") as file:
        baseline = json.load(file)
    print("| task | million instructions | of the baseline |\n|---|---|---|")
    for name, now in counts.items():
        print(f"| {name} | {now / 1e6:.1f} | {now / baseline[name]:.3f} |")
    over = [name for name, now in counts.items() if now > LIMIT * baseline[name]]
    if over:
        sys.exit(f"more than {LIMIT} times the baseline: {', '.join(over)}")


if __name__ == "__main__":
    main()
