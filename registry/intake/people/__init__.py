"""From rows to people and their operations, beside what is on record, and onto it."""
