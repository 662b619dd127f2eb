"""The numbers of a briefing worked out a second time, from plain values of the tables and published formulas.

None of the project's queries or estimators is used: tables come as pandas frames, all else is written here.
"""
