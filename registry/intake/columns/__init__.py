"""What the columns and values of sheets mean: guessed, asked, and read row by row. Pure."""
