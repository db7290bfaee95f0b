"""What plans teach: savings, and what a change would do."""
