"""The forms of one operation: whose knee, what kind of operation, and each tear with its repair.

entry.py puts them together; patient, procedure, tears, repairs and implants are the forms; rows.py adds and
removes rows of the page; questions.py asks the soft rules; correction.py brings changes to the record.
"""
