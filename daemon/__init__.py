"""The running program: acquisition, measuring, live view and command line."""
