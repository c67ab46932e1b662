"""ohmward driver of the Wexcombe Quern, an invented safety tester: see QUERN.md."""
