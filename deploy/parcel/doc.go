// Command parcel writes what goes beside the programs: the bill of materials, of what
// the build itself linked, and the archive for a system without our packages. The same
// input gives the same bytes. deploy/build runs it.
package main
