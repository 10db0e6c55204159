"""Typed columns (of Parquet files and databases) as text that the declared forms read back.

Layer: logbook. Dates become ISO 8601, numbers get the declared decimal sign, what is missing
becomes blank.
"""

from __future__ import annotations

import pyarrow as pa
import pyarrow.compute as pc

from relkit.logbook.findings import Finding, finding

__all__ = ["column_texts", "zone_findings"]


def zone_findings(schema: pa.Schema, file: str) -> tuple[Finding, ...]:
    """Return the finding that dates of a file carry a time zone, if they do."""
    zoned = [
        f"{field.name} ({field.type.tz})"
        for field in schema
        if pa.types.is_timestamp(field.type) and field.type.tz
    ]
    if not zoned:
        return ()
    what = f"Dates carry a time zone: {', '.join(zoned)}"
    done = "Taken as local time of that zone"
    return (finding("dates: time zone", what, sources=[file], done=done, rows=len(zoned)),)


def column_texts(column: pa.ChunkedArray, decimal: str) -> pa.ChunkedArray:
    """Cells of a typed column as text, blank where missing or where the type holds no cell text.

    Examples
    --------
    >>> column_texts(pa.chunked_array([[24.5, None, 3.0]]), ",").to_pylist()
    ['24,5', '', '3']
    """
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
        return column_texts(
            pc.divide(column.cast(pa.duration("ms")).cast(pa.int64()), 3.6e6), decimal
        )
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
