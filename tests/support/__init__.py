"""What tests share: voices, stored cases, screens, engines that fail. Imported by tests and tools alone."""
