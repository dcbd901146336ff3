"""The results of a survey as Parquet and as a DuckDB file, every column with its meaning."""

from __future__ import annotations

import contextlib
import errno
import os
from collections.abc import Sequence

from ..errors import ComponentMissing, UsageError
from ..files.plain_data import sound_text
from ..files.writing import named_errors, own_folder, take_name
from .columns import TABLES, Column, Value
from .record import Record, Row

DATABASE = "survey.duckdb"
_DUCKDB_TYPES = {"text": "VARCHAR", "integer": "BIGINT", "number": "DOUBLE"}


def need_components(folder: str) -> None:
    """See that Parquet and DuckDB files can be written there.

    Raises ComponentMissing, UsageError where DuckDB makes no file in a folder of this name.
    """
    try:
        import duckdb  # noqa: F401  # is it there?
        import pyarrow.parquet  # noqa: F401
    except ModuleNotFoundError as missing:
        what = "the results need pyarrow and duckdb"
        raise ComponentMissing(what, "-o", 'pip install "strobewise[archive]", or use --json') from missing
    path = os.path.abspath(folder)
    # It takes a backslash for a slash, and puts the ending of its log before a question mark.
    if sound_text(path) != path or "?" in path or (os.sep == "/" and "\\" in path):
        remedy = "name a folder, and those above it, in UTF-8 text without ? and backslash"
        raise UsageError("DuckDB makes no file there", f"-o {folder}", remedy)


def rows_of(records: Sequence[Record], cases: Sequence[Row]) -> dict[str, list[Row]]:
    """Return the rows of each table of TABLES."""
    return {
        "captures": [record.capture for record in records],
        "cases": list(cases),
        "findings": [row for record in records for row in record.findings],
        "lines": [row for record in records for row in record.lines],
    }


def write_results(records: Sequence[Record], cases: Sequence[Row], folder: str) -> None:
    """Write a Parquet file for each of TABLES, and survey.duckdb; each appears whole or not at all. Raises OSError."""
    rows = rows_of(records, cases)
    with contextlib.ExitStack() as stack:
        with named_errors(folder):
            made = stack.enter_context(own_folder(folder))
            for name, columns in TABLES.items():
                _write_parquet(rows[name], columns, os.path.join(made, f"{name}.parquet"))
            _write_database(made)
        for file in (*(f"{name}.parquet" for name in TABLES), DATABASE):
            target = os.path.join(folder, file)
            with named_errors(target):
                take_name(os.path.join(made, file), target)


def _write_parquet(rows: Sequence[Row], columns: Sequence[Column], path: str) -> None:
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {"text": pa.string(), "integer": pa.int64(), "number": pa.float64()}
    schema = pa.schema(
        [pa.field(c.name, types[c.type], nullable=not c.required, metadata={"meaning": c.meaning}) for c in columns]
    )  # fmt: skip
    table = pa.Table.from_pylist([{c.name: _storable(row[c.name]) for c in columns} for row in rows], schema=schema)
    with open(path, "wb") as file:
        pq.write_table(table, file, compression="zstd")


def _storable(value: Value) -> Value:
    """Return a value as the files take it: a file name may hold bytes that are no text."""
    return sound_text(value) if isinstance(value, str) else value


def _write_database(folder: str) -> None:
    import duckdb
    import pyarrow.parquet as pq

    try:
        with duckdb.connect(os.path.join(folder, DATABASE)) as database:
            for name, columns in TABLES.items():
                listed = ", ".join(f'"{c.name}" {_DUCKDB_TYPES[c.type]}{" NOT NULL" if c.required else ""}' for c in columns)
                database.execute(f'CREATE TABLE "{name}" ({listed})')
                with open(os.path.join(folder, f"{name}.parquet"), "rb") as file:  # DuckDB would take its name for a pattern
                    database.register("made", pq.read_table(file))
                database.execute(f'INSERT INTO "{name}" SELECT * FROM made')
                database.unregister("made")
                for column in columns:
                    meaning = column.meaning.replace("'", "''")
                    database.execute(f"""COMMENT ON COLUMN "{name}"."{column.name}" IS '{meaning}'""")
    except duckdb.Error as error:
        raise OSError(errno.EIO, f"the database cannot be written: {error}", folder) from error
