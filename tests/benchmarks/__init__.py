"""Programs that measure how long work takes; `make bench-...` runs them."""
