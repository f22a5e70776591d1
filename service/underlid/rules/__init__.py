"""Judging: a window of readings, the limits, the log and the previous alarm in; findings and transitions out.

Pure: nothing here reads a clock, a file or a database.
"""
