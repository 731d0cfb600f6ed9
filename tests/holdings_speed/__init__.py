"""How fast a shelf is indexed and asked, and how well near images are found."""
