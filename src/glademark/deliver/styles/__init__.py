"""How layers look, by an open standard: OGC Styled Layer Descriptor and Symbology Encoding."""
