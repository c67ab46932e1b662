"""The trade's formulas as pure functions, each with units and source."""
