"""From a description to what people look at: the terminal, a page, a notebook. Nothing here has words of its own."""
