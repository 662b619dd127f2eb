"""What machines do: killed, cut off, out of room, out of time. Nothing that was acknowledged may be lost.

Real server processes as docker-compose.yml starts them, real databases, real requests over HTTP.
`pytest tests/faults` prints the table of all faults with few rounds each, with `-m slow` with all of theirs.
"""
