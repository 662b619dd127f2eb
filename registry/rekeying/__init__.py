"""Keys changed: every sealed value sealed by another key, and every blind index worked out by another.

Neither changes what a row says, so neither leaves a correction; a correction that keeps the value as the
old key sealed it would keep the old key needed for ever. The rule of the database that a change needs its
correction is therefore lifted for the one transaction that changes seals, which only the owner of the
tables can do: the role that the site itself works as cannot. Each value is opened again before its row is
written and has to say what it said before, and a row is written in no other column."""
