"""Closed days as Parquet beside the store: which files there are, how they are written, proven and read.

May import: config, daemon.core, daemon.measure, the store room. DuckDB is imported inside functions, and never by the
service's own process.
"""
