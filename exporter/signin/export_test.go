package signin

// Hold keeps everybody's hashing waiting until the returned function is called.
func (d *Door) Hold() (release func()) {
	d.hashing <- struct{}{}
	return func() { <-d.hashing }
}
