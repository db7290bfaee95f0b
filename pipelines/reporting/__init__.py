"""Tables, charts, pages and order lists for people."""
