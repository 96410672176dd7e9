//go:build !systemzones

package main

import _ "time/tzdata" // a bare box has no time zones; a package brings them, and leaves these out by the tag
