"""Letters to patients: when each is due, its words, how it is sent, and what is kept of it.

A message is claimed on record before it is sent and marked handed over just before the receiving server can
accept it. Whatever stops a run, the next one sends what was certainly not sent and nothing else.
"""
