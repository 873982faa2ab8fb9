"""The command-line verbs of lapcell, one module each."""
