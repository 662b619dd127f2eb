"""The invented demo scenario: what is true in it, the stories drawn from that, and their way into the record.

`generate` (scenario.py) tells the stories and knows no Django; `load` (load.py) writes them.
"""
