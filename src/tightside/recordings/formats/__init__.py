"""One module per file format, each a sniff and a read."""
