"""The same world without hardware. Imported only by bench entry points and tests; always labelled."""
