"""The audit meeting's document: one self-contained file that needs no network and no sign-in to be read."""
