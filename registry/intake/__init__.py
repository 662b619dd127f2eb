"""Old records out of spreadsheets: read, what columns and values mean, rehearsed, taken in, undone.

    file -> sheets -> mapping -> meant rows -> what is on record -> rehearsal -> taken in, whole or not at all

reading.py turns a file into sheets; guessing.py proposes a mapping and questions.py asks what it cannot tell;
meaning.py reads each row by the mapping; the rest brings the rows together and to the record.
"""
