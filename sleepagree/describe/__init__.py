"""From a result to words: sections of sentences, tables and places for figures, the same for every output.

What stands here is text and facts. How it looks on a terminal, on a page or in a notebook is up to `sleepagree.render`.
"""
