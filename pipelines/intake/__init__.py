"""From a file in the inbox to validated rows: recognise, read as text, shape, validate, hold, archive."""
