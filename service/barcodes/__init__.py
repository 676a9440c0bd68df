"""What barcodes say: GS1 elements, and the codes of our own labels."""
