"""From a project folder to a bag: `start`, `check`, `package`."""
