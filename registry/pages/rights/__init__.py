"""Pages of the patient's own rights: who looked, what is held, and erasure."""
