"""Forms of the record: they put a model's own rules into a page's words and decide nothing themselves."""
