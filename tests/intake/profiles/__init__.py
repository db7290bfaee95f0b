"""Tests of profiles: which one fits a file, and drafts for new sources."""
