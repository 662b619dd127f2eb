"""The record: who was operated on, what was torn, what was done, and what became of it."""
