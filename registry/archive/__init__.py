"""The whole record as one file that another installation reads back to an equal record.

JSON Lines (RFC 8259, UTF-8), gzipped: a header, then one row of one table a line, then a line with the
SHA-256 over all lines before it. A row a line, not a patient a line: rows keep their keys, so that versions,
corrections and what refers to what stay exact without rules of their own, and few are in memory at a time.

In it: every model of the record with its withdrawn rows, its corrections, the intakes that brought rows, and
the accounts that these name, by name alone: access is no part of the record, so they are read as closed and
without password. What is not in it, and why, is said by NOT_IN_IT and COLUMNS_NOT_IN_IT in tables.py, and by
the schema. All of outcomes is left out: figures are worked out again, and cohorts, briefings and the ledger
belong to the installation that made them.
"""
