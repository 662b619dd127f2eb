"""The patient's file: everything that the registry holds of one patient, in plain words."""
