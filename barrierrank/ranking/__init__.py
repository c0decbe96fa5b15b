"""The priority list: order, ties, reasons."""
