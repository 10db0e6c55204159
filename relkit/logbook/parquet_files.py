"""Parquet files to text tables.

Layer: logbook. Typed columns become text that the source's declared forms read back unchanged.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from relkit.errors import InputError
from relkit.logbook.text_table import TextTable, tidy_name, without_blank_rows
from relkit.logbook.typed_columns import column_texts, zone_findings
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
    findings = zone_findings(table.schema, file)
    arrays = [column_texts(column, source.decimal) for column in table.columns]
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
