"""Pure rules of the record: plain values in, plain values out, no database and no Django."""
