"""Index numbers, baskets, imputation, contributions and coverage."""
