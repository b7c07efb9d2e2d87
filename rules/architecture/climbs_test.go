package architecture

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"maps"
	"slices"
	"strings"
	"testing"
)

// floors are the files through which the level of an input line goes from its pin to
// what is decided, in their order: calls go down. Whatever is not named here lies
// below them all.
var floors = []string{
	"interlock/day/guard/loop.go", "interlock/day/guard/outputs.go",
	"interlock/day/intake/border.go", "interlock/day/intake/pins.go",
	"interlock/engine.go", "interlock/deadlines.go", "interlock/instant.go",
	"interlock/lines.go", "interlock/chain.go", "interlock/moves.go", "interlock/sound.go", "interlock/latch.go",
	"interlock/permissive.go", "interlock/demand.go", "interlock/unheard.go", "interlock/naming.go", "interlock/power.go", "interlock/ground.go", "interlock/phase.go",
}

// mostClimbs bounds the calls on that way from a lower file to one above it: each is a
// place where a reader must go back up.
const mostClimbs = 4

// otherWays are taken by other inputs and by what they made due, not by the level of a
// line.
var otherWays = []string{"Engine.host", "Engine.frame", "Engine.heldUp", "Engine.timer", "Limits.Take", "Limits.Fire", "decoder.Append"}

// onTheWay are places that a level must come through, so that the test sees the whole way.
var onTheWay = []string{"Intake.appendPins", "latch.line", "latch.stopsJudged", "latch.conclude", "latch.move", "latch.setRelay", "Engine.mayClose", "Limits.Fresh", "Loop.output"}

// A function that is handed over as a value counts as called by who hands it over.
func TestAnInputLevelGoesDown(t *testing.T) {
	type body struct {
		decl *ast.FuncDecl
		info *types.Info
		file string
	}
	set := token.NewFileSet()
	bodies, named := map[*types.Func]body{}, map[string][]*types.Func{}
	for _, c := range carried(t, set, nil) {
		for _, f := range c.files {
			for _, d := range f.Decls {
				if fd, ok := d.(*ast.FuncDecl); ok && fd.Body != nil {
					obj := c.info.Defs[fd.Name].(*types.Func)
					bodies[obj] = body{fd, c.info, set.Position(fd.Pos()).Filename}
					named[obj.Name()] = append(named[obj.Name()], obj)
				}
			}
		}
	}
	floor := func(f *types.Func) int {
		if i := slices.Index(floors, bodies[f].file); i >= 0 {
			return i
		}
		return len(floors)
	}
	name := func(f *types.Func) string {
		if n := namedOf(recvOf(f)); n != nil {
			return n.Obj().Name() + "." + f.Name()
		}
		return f.Name()
	}
	seen, files, climbs := map[string]bool{}, map[string]bool{}, map[string]bool{}
	walked := map[*types.Func]bool{}
	var walk func(from *types.Func)
	walk = func(from *types.Func) {
		b, ok := bodies[from]
		if !ok || walked[from] {
			return
		}
		walked[from], seen[name(from)], files[b.file] = true, true, true
		ast.Inspect(b.decl.Body, func(n ast.Node) bool {
			id, ok := n.(*ast.Ident)
			if !ok {
				return true
			}
			called, ok := b.info.Uses[id].(*types.Func)
			if !ok {
				return true
			}
			for _, to := range named[called.Name()] {
				if to != called.Origin() && !behindInterface(called, to) || slices.Contains(otherWays, name(to)) {
					continue
				}
				if floor(to) < floor(from) {
					climbs[fmt.Sprintf("%s (%s) calls %s (%s)", name(from), b.file, name(to), bodies[to].file)] = true
				}
				walk(to)
			}
			return true
		})
	}
	for _, f := range named["pins"] {
		walk(f) // the loop's
	}
	for _, must := range onTheWay {
		if !seen[must] {
			t.Errorf("the way of an input level does not come through %s", must)
		}
	}
	for _, f := range floors {
		if !files[f] {
			t.Errorf("the way of an input level does not come through %s: take it out of the list", f)
		}
	}
	if len(climbs) > mostClimbs {
		t.Errorf("%d calls go up, at most %d; move what is called below, or answer instead of calling:\n%s", len(climbs), mostClimbs, strings.Join(slices.Sorted(maps.Keys(climbs)), "\n"))
	}
}

// recvOf is what a method is of, nil for a function.
func recvOf(f *types.Func) types.Type {
	if recv := f.Signature().Recv(); recv != nil {
		return recv.Type()
	}
	return nil
}

// behindInterface reports whether a call of an interface's method may reach to.
func behindInterface(called, to *types.Func) bool {
	of, recv := recvOf(called), recvOf(to)
	if of == nil || recv == nil || !types.IsInterface(of) || called.Name() != to.Name() {
		return false
	}
	iface, ok := of.Underlying().(*types.Interface)
	return ok && types.Implements(recv, iface)
}
