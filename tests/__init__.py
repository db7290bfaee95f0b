"""The tests; each folder tests the stage of the pipeline it is named after, the others say what they are."""
