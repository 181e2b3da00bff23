"""What made our acoustic model: voices, texts, distortion, network, training, export, scoring."""
