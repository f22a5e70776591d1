"""Data in and out: import and export of readings, log and alarms; backup and restore of everything."""
