"""What drivers share: the wires that carry bytes, how long something may take, what serial ports there are."""
