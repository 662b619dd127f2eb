"""A patient's record as HL7 FHIR R5 resources, to be read by others.

Plain dictionaries as JSON has them; mapping.py lists field by field what goes where, and what is not carried.
Nothing names the patient: no name, number or contact leaves here. Withdrawn rows are left out.
"""
