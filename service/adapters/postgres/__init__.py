"""Postgres: the pool and its transactions, one store a subject with its SQL beside it, and the migrations."""
