"""Published tables: a small night in which everything holds, and a sample night for pages."""
