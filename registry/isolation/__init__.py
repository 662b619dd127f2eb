"""The boundary between units, held by PostgreSQL itself, and a role of the database that may do little.

What a person may see and do is decided in registry.access. Here the database is told whose request it serves
and shows no row of any other unit, should a query ever forget to ask. SQLite knows neither roles nor
policies: there all of this does nothing.
"""
