"""strandwise: how fast each batch of a solid propellant burns, and what a change did to it."""
