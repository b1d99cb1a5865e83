"""Bare least squares per injector, voltage and pressure in SQL: peer_duckdb.py IN.csv OUT.ndjson THREADS."""

import sys

import duckdb

QUERY = """
copy (
  with sums as (
    select injector, voltage_v, pressure_kpa, count(*) n, avg(x) mx, avg(y) my,
           regr_sxx(y, x) sxx, regr_syy(y, x) syy, regr_sxy(y, x) sxy
    from (
      select injector, voltage_v, pressure_kpa, pulse_width_ms x, volume_ml / pulses y
      from read_csv('{source}', header = true, columns = {{
        'injector': 'VARCHAR', 'pulse_width_ms': 'DOUBLE', 'pulses': 'INTEGER', 'volume_ml': 'DOUBLE',
        'voltage_v': 'DOUBLE', 'pressure_kpa': 'DOUBLE', 'period_ms': 'DOUBLE', 'repeat': 'INTEGER'}})
    ) group by all
  ),
  lines as (select *, sxy / sxx b, greatest(syy - sxy * sxy / sxx, 0) / (n - 2) s2 from sums)
  select injector, voltage_v, pressure_kpa, n, b slope, my - b * mx intercept, sqrt(s2 / sxx) se_slope,
         sqrt(s2 * (1.0 / n + mx * mx / sxx)) se_intercept, mx - my / b x_intercept
  from lines
) to '{target}' (format json)
"""

if __name__ == "__main__":
    source, target, threads = sys.argv[1:4]
    connection = duckdb.connect()
    connection.execute(f"set threads = {int(threads)}; set preserve_insertion_order = false")
    connection.execute(QUERY.format(source=source, target=target))
