"""Engines that drive `fit --lines` and read what it writes: engines.py MENISCUS MAKE_CAPTURE.

Each way must give the lines of a plain run, line for line. Needs the packages of requirements.txt;
Spark is tried where pyspark and Java are there, and asked for with --spark.
"""

import glob
import itertools
import json
import os
import subprocess
import sys
import tempfile

import duckdb
import pandas
import polars

FIT = ["fit", "-", "--lines", "--model", "line", "--line-range", "2ms..10ms"]
INJECTORS = 60


def piped(program, path):
    with open(path, "rb") as capture:
        done = subprocess.run([program, *FIT], stdin=capture, capture_output=True, check=True)
    return done.stdout.decode().splitlines()


def by_spark(program, path):
    """Rows shuffled by injector and piped through the program, a partition at a time."""
    from pyspark import SparkConf, SparkContext

    conf = SparkConf().setMaster("local[2]").setAppName("lines").set("spark.ui.enabled", "false")
    with SparkContext(conf=conf) as context:
        context.setLogLevel("ERROR")
        text = context.textFile(path, 8)
        header = text.first()
        numbered = text.filter(lambda row: row != header).zipWithIndex()
        keyed = numbered.map(lambda row: ((row[0].split(",", 1)[0], row[1]), row[0]))
        together = keyed.repartitionAndSortWithinPartitions(
            numPartitions=4, partitionFunc=lambda key: sum(key[0].encode())
        )
        rows = together.values().mapPartitions(lambda rows: itertools.chain([header], rows))
        command = " ".join([program, *FIT])
        return rows.pipe(command, checkCode=True).collect()


def by_parquet(program, path, folder):
    """The archive as Parquet, streamed by DuckDB as CSV in the order of injectors."""
    parquet = os.path.join(folder, "archive.parquet")
    duckdb.sql(f"copy (select row_number() over () n, * from read_csv('{path}')) to '{parquet}'")
    rows = f"select * exclude n from '{parquet}' order by injector, n"
    stream = (
        "import duckdb, sys; duckdb.sql(sys.argv[1])",
        f"copy ({rows}) to '/dev/stdout' (format csv, header)",
    )
    source = subprocess.Popen([sys.executable, "-c", *stream], stdout=subprocess.PIPE)
    done = subprocess.run([program, *FIT], stdin=source.stdout, capture_output=True, check=True)
    source.stdout.close()
    assert source.wait() == 0
    return done.stdout.decode().splitlines()


def read_back(lines, folder):
    """The same figures through DuckDB, Polars and pandas."""
    path = os.path.join(folder, "lines.ndjson")
    with open(path, "w", encoding="utf-8") as out:
        out.writelines(line + "\n" for line in lines)
    wanted = sorted((r["injector"], r["voltage_v"], r["pressure_kpa"], r["slope"]) for r in map(json.loads, lines))
    columns = ["injector", "voltage_v", "pressure_kpa", "slope"]
    found = duckdb.sql(f"select {', '.join(columns)} from read_json('{path}')").fetchall()
    assert sorted(found) == wanted, "DuckDB"
    assert sorted(polars.read_ndjson(path).select(columns).rows()) == wanted, "Polars"
    table = pandas.read_json(path, lines=True, precise_float=True)[columns]
    for row, want in zip(sorted(table.itertuples(index=False, name=None)), wanted, strict=True):
        assert row[:3] == want[:3] and abs(row[3] / want[3] - 1) < 1e-14, ("pandas", row, want)


def read_folder(program, make, folder):
    """Characterisation files of many runs as one table."""
    wanted = []
    for seed in range(3):
        capture, target = (os.path.join(folder, f"run-{seed}.{end}") for end in ("csv", "json"))
        subprocess.run([sys.executable, make, "2", capture, "grouped", str(seed)], check=True)
        command = [program, "fit", capture, "--model", "line", "-o", target]
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
        with open(target, encoding="utf-8") as file:
            for injector in json.load(file)["injectors"]:
                wanted += [(injector["id"], s["source"], s["voltage_v"], s["slope"]["value"]) for s in injector["sweeps"]]
    files = os.path.join(folder, "run-*.json")
    assert len(glob.glob(files)) == 3
    found = duckdb.sql(
        f"""with i as (select unnest(injectors) injector from read_json('{files}', maximum_object_size = 100000000)),
        s as (select injector.id id, unnest(injector.sweeps) sweep from i)
        select id, sweep.source, sweep.voltage_v, sweep.slope.value from s"""
    ).fetchall()
    assert sorted(found) == sorted(wanted), "folder"


def main():
    program, make = map(os.path.abspath, sys.argv[1:3])
    with tempfile.TemporaryDirectory() as folder:
        path = os.path.join(folder, "capture.csv")
        subprocess.run([sys.executable, make, str(INJECTORS), path], check=True)
        plain = piped(program, path)
        assert len(plain) == 15 * INJECTORS
        assert by_parquet(program, path, folder) == plain, "Parquet through DuckDB"
        print(f"Parquet through DuckDB: {len(plain)} lines, all equal")
        read_back(plain, folder)
        print("DuckDB, Polars and pandas read the lines")
        read_folder(program, make, folder)
        print("DuckDB reads a folder of characterisation files")
        if "--spark" in sys.argv:
            assert sorted(by_spark(program, path)) == sorted(plain), "Spark"
            print(f"Spark: {len(plain)} lines, all equal")


if __name__ == "__main__":
    main()
