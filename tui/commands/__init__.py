"""The commands, one subject a module. Each module has `add`, which puts its own on the parser."""
