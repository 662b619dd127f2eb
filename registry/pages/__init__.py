"""Pages of the record. They fetch through registry.access and write through registry.recording alone."""
