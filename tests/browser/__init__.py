"""The pages in a headless browser."""
