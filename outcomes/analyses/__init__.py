"""The further analyses of Survival: each takes a counted cohort, and gives a result that says its context."""
