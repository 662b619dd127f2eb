"""What the record says, for programs: cohorts, results, releases, reference values."""
