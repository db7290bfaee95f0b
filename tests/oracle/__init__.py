"""Second implementations, slow and plain, that the pipeline is compared with."""
