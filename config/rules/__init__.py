"""What must hold between values of a plant file. Each rule is a function of a `View` that yields what it found."""
