"""From the bytes of a file to sheets of plain values, and back with problems marked. Pure."""
