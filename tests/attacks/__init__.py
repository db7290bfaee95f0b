"""The attacks behind docs/reliability.md: run by hand with `make attack`, in parts if need be; `make test` runs small forms."""
