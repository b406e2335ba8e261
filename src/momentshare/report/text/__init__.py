"""Results in words: on the terminal, on the page and in methods paragraphs."""
