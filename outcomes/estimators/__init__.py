"""Estimators: plain counts in, a frozen result out. Pure: they import neither Django nor the record."""
