"""Where rooms meet, step by step: each file joins a few of them; ``pipeline.py`` joins the files."""
