"""What the tests of several folders build their examples with; all contents are invented."""
