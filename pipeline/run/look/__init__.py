"""Looking without packaging: `examine`, `compare` and `convert`, at files or at a project's chips."""
