"""Records: the journal and its verification."""
