"""Surveys of many captures: one row each, worked off by processes or a cluster, kept as Parquet and in a DuckDB file.

What needs dask, pyarrow or duckdb loads when it is asked for.
"""
