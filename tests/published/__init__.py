"""Values that others have published, and what the pipeline makes of the same numbers."""
