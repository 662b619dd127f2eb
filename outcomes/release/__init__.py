"""De-identified export: what may leave, under which pseudonyms, in which package, with which ledger entry."""
