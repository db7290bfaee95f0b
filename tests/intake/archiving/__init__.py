"""Tests of the archive of inputs."""
