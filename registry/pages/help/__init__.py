"""Help: a short guide for each role, the commands of the terminal, and the pictures in them."""
