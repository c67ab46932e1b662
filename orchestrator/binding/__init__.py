"""Binding: program × fixture × station → schedule, or every fault at once."""
