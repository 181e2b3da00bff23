"""How well an engine hears a folder of labelled clips."""
