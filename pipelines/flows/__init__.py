"""The one list of steps, and thin Prefect flows around it."""
