"""Pages of what the record says. They fetch through registry.access, ask for results and print them."""
