"""Tests of the records of refreshes, of who hears of what, and of what ``kitfare status`` shows."""
