"""One Diagnosis to text, HTML and JSON."""
