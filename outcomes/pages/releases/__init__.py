"""Pages of releases: the ledger, asking for one, the work on it, what came out, and permissions withdrawn."""
