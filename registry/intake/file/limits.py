"""How large a file may be that is read whole into memory, and how that is said."""

MEGABYTE = 1024 * 1024
LIMIT_BYTES = 50 * MEGABYTE
# Of what is in a workbook once it is unpacked; a sheet of 200,000 rows and 25 columns has about 250 MB.
LIMIT_UNPACKED = 300 * MEGABYTE
MOST_PARTS = 2_000  # files within a workbook
MOST_ROWS = 200_000
MOST_COLUMNS = 500
MOST_CELLS = 5_000_000  # with a value, of one sheet

_MEND = "Split it into several files, or leave out what is not of patients."


def too_many_rows() -> str:
    return f"It has values below row {MOST_ROWS:,}, and at most {MOST_ROWS:,} rows are read. {_MEND}"


def too_many_columns(row: int) -> str:
    return (
        f"Row {row} has values beyond column {MOST_COLUMNS}, and at most {MOST_COLUMNS} columns are read. "
        "Delete the columns that are not needed."
    )


def too_many_cells() -> str:
    return f"It has more than {MOST_CELLS:,} cells, and no more are read. {_MEND}"
