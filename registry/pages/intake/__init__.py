"""Intake: old records out of a spreadsheet: file, columns, values, rehearsal, taken in, undone."""
