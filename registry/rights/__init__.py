"""The patient's own rights: to know who looked and what is held, and to be forgotten."""
