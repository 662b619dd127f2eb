"""What the record says: cohorts, counts, estimates and their pages; reads the record, never writes it."""
