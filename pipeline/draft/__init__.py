"""A sheet drafted from loose files: what their names and contents say, never what only the chip can say."""
