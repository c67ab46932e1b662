"""From what a product demands to steps that prove all of it: pure functions of models."""
