"""Analysis of any table: a CSV file in, the estimators' results out. Pure: neither Django nor the record."""
