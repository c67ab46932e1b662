"""The edge towards the instruments: links, profile language, adapters, simulated bench."""
