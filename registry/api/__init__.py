"""The record for programs: keys with scopes, and the same rules and rights as on the pages."""
