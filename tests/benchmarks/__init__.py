"""How good the stack is: figures, a hand-written rival, the best possible, and the driver."""
