"""Byte streams to instruments: TCP, serial, VISA. No foreign exception leaves this package."""
