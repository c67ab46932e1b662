"""The scan loop and the sequence: takes events and time, returns commands and verdicts."""
