"""What a record of one's own tells about the noise of background air: fit, words, lines for region.toml."""
