"""Remote I/O blocks: interlock inputs, enable and lamp behind a fieldbus coupler."""
