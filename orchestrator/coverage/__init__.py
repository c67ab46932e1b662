"""Is a program complete for a product? Judged apart from whatever made the program.

`cover` is the way in; it shares nothing with the planner but models and formulas.
"""
