package intake

// Counts returns what came in so far.
func (in *Intake) Counts() (n Counts) {
	in.CountsTo(&n)
	return n
}
