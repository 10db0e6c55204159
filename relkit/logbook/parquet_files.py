"""Parquet files to text tables.

Layer: logbook. Typed columns become text that the source's declared forms read back unchanged.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from relkit.errors import InputError
from relkit.logbook.findings import Finding, finding
from relkit.logbook.text_table import TextTable, tidy_name, without_blank_rows
from relkit.study.settings import Source

__all__ = ["read_parquet_file"]


def read_parquet_file(path: Path, *, file: str, source: Source) -> TextTable:
    """Rows of a Parquet file, numbered as if the column names were row 1.

    Raises
    ------
    InputError
        The file is no Parquet file or is damaged.
    """
    try:
        table = pq.ParquetFile(path).read()
    except (pa.ArrowException, OSError) as error:
        problem = f"the Parquet file cannot be read ({str(error).splitlines()[0]})"
        raise InputError(problem, file=file, mend="Write it anew, or export it as CSV") from None
    names = tuple(tidy_name(name) for name in table.column_names)
    findings = _zone_findings(table, file)
    arrays = [_as_text(column, source.decimal) for column in table.columns]
    cells = pa.table(arrays, names=[str(place) for place in range(len(arrays))])
    rows = np.arange(2, table.num_rows + 2)
    cells, rows, blank_rows = without_blank_rows(cells, rows)
    return TextTable(
        file=file,
        names=names,
        last_names=names,
        cells=cells,
        rows=rows,
        blank_rows=blank_rows,
        encoding="parquet",
        head=(names,),
        findings=findings,
    )


def _zone_findings(table: pa.Table, file: str) -> tuple[Finding, ...]:
    zoned = [
        f"{field.name} ({field.type.tz})"
        for field in table.schema
        if pa.types.is_timestamp(field.type) and field.type.tz
    ]
    if not zoned:
        return ()
    what = f"Dates carry a time zone: {', '.join(zoned)}"
    done = "Taken as local time of that zone"
    return (finding("dates: time zone", what, sources=[file], done=done, rows=len(zoned)),)


def _as_text(column: pa.ChunkedArray, decimal: str) -> pa.ChunkedArray:
    kind = column.type
    if pa.types.is_dictionary(kind):
        column = column.cast(kind.value_type)
        kind = column.type
    if pa.types.is_floating(kind) or pa.types.is_decimal(kind):
        texts = _float_texts(column, decimal)
    elif pa.types.is_timestamp(kind):
        texts = _timestamp_texts(column)
    elif pa.types.is_boolean(kind):
        texts = pc.if_else(column, "TRUE", "FALSE")
    elif pa.types.is_nested(kind) or pa.types.is_binary(kind) or pa.types.is_large_binary(kind):
        texts = pa.chunked_array([pa.nulls(len(column), pa.string())])  # nothing of ours in it
    elif pa.types.is_duration(kind):
        return _as_text(pc.divide(column.cast(pa.duration("ms")).cast(pa.int64()), 3.6e6), decimal)
    else:
        texts = column.cast(pa.string())
    return pc.fill_null(texts, "")


def _float_texts(column: pa.ChunkedArray, decimal: str) -> pa.ChunkedArray:
    numbers = column.cast(pa.float64())
    numbers = pc.if_else(pc.is_nan(numbers), None, numbers)
    texts = pc.replace_substring_regex(numbers.cast(pa.string()), r"\.0$", "")
    return texts if decimal == "." else pc.replace_substring(texts, ".", decimal)


def _timestamp_texts(column: pa.ChunkedArray) -> pa.ChunkedArray:
    if column.type.tz:
        column = pc.local_timestamp(column)
    return pc.strftime(column.cast(pa.timestamp("us"), safe=False), format="%Y-%m-%d %H:%M:%S")
