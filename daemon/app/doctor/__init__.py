"""`waterside doctor`: what is wrong with the log and what it depends on, and what to do about it.

Lives here: the command's looks, one file for each thing looked at. May import: config, drivers, daemon below app.
Every look is read-only and sends nothing to a module.
"""
