"""The records: an append-only, hash-chained journal, its readers and its verifier.

What the chain is good for: it finds a changed, missing, moved or cut-off entry, whether by a
failing disk, a careless edit or a hurried one. It is no seal: whoever can write both the records
and their head file, and knows how the chain is made, can make a new chain that verifies. To hold
against that, keep copies of the head file where such a person can't write.
"""
