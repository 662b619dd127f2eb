"""The whole installation's data as one encrypted file, and back from it to an equal database.

In it, as parts of a tar: the manifest; its seals by today's IDENTITY_KEYS; the database, as its engine
copies itself; and every package that the ledger of the copied state names. Not in it: any key. Neither the
private key that opens it, nor IDENTITY_KEYS, IDENTITY_INDEX_KEY, RELEASE_KEYS and SECRET_KEY: whoever finds
the file and its key still reads no identity.

It goes back into the same engine; from one engine to the other, or to another release, leads the archive.
"""
