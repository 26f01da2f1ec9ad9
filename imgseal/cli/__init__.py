"""The frame of the command line, and its small commands: demo, doctor, init and show."""
