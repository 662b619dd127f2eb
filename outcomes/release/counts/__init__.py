"""Counts for those who should not have rows: tables with small cells hidden, and counts to be pooled."""
