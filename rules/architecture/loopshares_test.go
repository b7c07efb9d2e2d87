package architecture

import (
	"go/ast"
	"go/token"
	"go/types"
	"maps"
	"slices"
	"strings"
	"testing"
)

// mayUse are the calls of others that the loop's thread makes beside what is harmless
// (lockscan_test.go): the kernel's, and some of the runtime's that wait for nobody.
var mayUse = strings.Fields(`
	golang.org/x/sys/unix.RawSyscall golang.org/x/sys/unix.RawSyscall6 golang.org/x/sys/unix.Syscall golang.org/x/sys/unix.Ppoll golang.org/x/sys/unix.Read
	golang.org/x/sys/unix.Write golang.org/x/sys/unix.Close golang.org/x/sys/unix.Sendto golang.org/x/sys/unix.NsecToTimespec
	golang.org/x/sys/unix.SetLen golang.org/x/sys/unix.SetIovlen golang.org/x/sys/unix.SetControllen golang.org/x/sys/unix.CmsgLen golang.org/x/sys/unix.ClockGettime golang.org/x/sys/unix.Nano
	runtime.KeepAlive runtime/debug.Stack`)

// timers make a goroutine ready, in the run queue of whoever holds the processor: the loop.
var timers = strings.Fields("time.NewTimer time.AfterFunc time.After time.NewTicker time.Tick time.Reset time.Sleep")

// onceOnly are calls of the loop's thread before its first turn or after its last.
var onceOnly = strings.Fields("runtime.LockOSThread runtime.UnlockOSThread context.AfterFunc")

// notInATurn are fields whose function no turn of the daemon calls: Thread comes before
// the first, and whoever asks what was judged is no guard.
var notInATurn = []string{"g.opts.Thread", "l.judged"}

// No other thread may hold up the loop's, which runs in real time: from its turn and its
// wait no lock, channel, timer or new goroutine can be reached, whatever is behind an
// interface or a function value of ours in the packaged daemon. Rings, copies and flags
// are all that it shares.
func TestTheLoopSharesNoLock(t *testing.T) {
	set := token.NewFileSet()
	faults, reached := sharedFrom(newLockScan(set, carriedBy(t, "./cmd/downhauld", set, nil)), "guard.Guard.turnUntil")
	for _, f := range faults {
		t.Error(f)
	}
	for _, must := range []string{"guard.Loop.Turn", "link.Waiter.Wait", "link.Link.Read", "intake.Intake.Append", "interlock.Engine.Step", "guard.keeper.put", "hw.gpio.Levels", "hw.lineFile.set", "watchdog.Feeder.Turned", "signing.Door.Datagram"} {
		if !slices.Contains(reached, must) {
			t.Errorf("%s is not on the way of the loop's thread: the scan looks in the wrong place", must)
		}
	}
}

// A lock, a channel, a timer and a goroutine behind a function value are found where
// they are planted in the guard.
func TestWhatTheLoopSharesIsFound(t *testing.T) {
	set := token.NewFileSet()
	planted := `package guard
import "time"
type planting struct{ do func() }
func (g *Guard) planted() {
	p := planting{do: func() { g.toldMu.Lock(); g.toldMu.Unlock() }}
	p.do()
	select { case <-time.After(1): default: }
	if g.opts.Stepped { g.toldMu.Lock(); g.toldMu.Unlock() }
	go p.do()
}
`
	found, _ := sharedFrom(newLockScan(set, carriedBy(t, "./cmd/downhauld", set, map[string]string{"interlock/day/guard": planted})), "guard.Guard.planted")
	for _, want := range []string{":5: takes the lock Guard.toldMu", ":7: uses a channel", ":7: calls time.After", ":9: starts a goroutine"} {
		if !slices.ContainsFunc(found, func(f string) bool { return strings.Contains(f, want) }) {
			t.Errorf("not found: %s, in %q", want, found)
		}
	}
	if len(found) != 4 {
		t.Errorf("%q", found)
	}
}

// sharedFrom returns what can be reached from a function and may be shared with other
// threads, and the names of all that can be reached.
func sharedFrom(s *lockScan, root string) (faults, reached []string) {
	values := s.assigned()
	seen := map[*method]bool{}
	var follow func(m *method)
	var call func(e event, value ast.Expr, info *types.Info, been map[types.Object]bool)
	fault := func(e event, says string) { faults = append(faults, s.place(e.at)+": "+says) }
	call = func(e event, value ast.Expr, info *types.Info, been map[types.Object]bool) {
		var obj types.Object
		switch x := ast.Unparen(value).(type) {
		case *ast.FuncLit:
			follow(s.literals[x])
			return
		case *ast.Ident:
			obj = info.Uses[x]
		case *ast.SelectorExpr:
			obj = info.Uses[x.Sel]
		case *ast.CallExpr: // a function that makes one: all in it
			if f, ok := s.nameOf(x.Fun, info).(*types.Func); ok {
				for lit, m := range s.literals {
					if body := s.methods[f]; body != nil && strings.HasSuffix(m.name, " in "+body.name) {
						follow(s.literals[lit])
					}
				}
				return
			}
		}
		if f, ok := obj.(*types.Func); ok {
			if to := s.function(f.Origin()); len(to.methods) > 0 {
				follow(to.methods[0])
			} else if to.outside != "" {
				s.judge(e, to.outside, fault)
			}
			return
		}
		if _, none := obj.(*types.Nil); none || obj != nil && been[obj] {
			return
		}
		if v, ok := obj.(*types.Var); ok && v.IsField() && len(values[obj]) == 0 {
			return // nobody sets it: it is nil, and not called
		}
		if len(values[obj]) == 0 {
			fault(e, "calls "+types.ExprString(value)+", and nobody can tell what that is")
			return
		}
		been[obj] = true
		for _, v := range values[obj] {
			call(e, v.expr, v.info, been)
		}
	}
	follow = func(m *method) {
		if m == nil || seen[m] {
			return
		}
		seen[m] = true
		reached = append(reached, m.name)
		for _, e := range m.events {
			switch {
			case e.apart:
			case e.value != nil:
				if !slices.Contains(notInATurn, types.ExprString(e.value)) {
					call(e, e.value, e.info, map[types.Object]bool{})
				}
			case e.shares != "":
				s.judge(e, e.shares, fault)
			}
			if !e.apart {
				for _, to := range e.calls {
					follow(to)
				}
			}
		}
	}
	for _, m := range s.all {
		if m.name == root {
			follow(m)
		}
	}
	slices.Sort(faults)
	return slices.Compact(faults), reached
}

// judge reports what is neither harmless nor allowed.
func (s *lockScan) judge(e event, shares string, fault func(event, string)) {
	path, short := shares, shares[strings.LastIndex(shares, "/")+1:]
	pkg, _, isCall := strings.Cut(path[strings.LastIndex(path, "/")+1:], ".")
	pkg = path[:strings.LastIndex(path, "/")+1] + pkg
	switch {
	case strings.Contains(shares, " "): // no call of others
		fault(e, shares)
	case !isCall, slices.Contains(mayUse, path), slices.Contains(onceOnly, path):
	case slices.Contains(timers, path), slices.Contains(waiting, short), !slices.Contains(harmless, pkg) && !slices.Contains(harmless, short):
		fault(e, "calls "+path)
	}
}

// nameOf is what an expression names.
func (s *lockScan) nameOf(e ast.Expr, info *types.Info) types.Object {
	switch x := ast.Unparen(e).(type) {
	case *ast.Ident:
		return info.Uses[x]
	case *ast.SelectorExpr:
		return info.Uses[x.Sel]
	}
	return nil
}

// given is what a variable, a field or a parameter was set to.
type given struct {
	expr ast.Expr
	info *types.Info
}

// assigned finds what each function value of the program was set to, but for what only a
// stepped guard sets.
func (s *lockScan) assigned() map[types.Object][]given {
	out := map[types.Object][]given{}
	for _, c := range s.packages {
		put := func(to types.Object, e ast.Expr) {
			if to == nil {
				return
			}
			if _, ok := to.Type().Underlying().(*types.Signature); ok {
				out[to] = append(out[to], given{e, c.info})
			}
		}
		for _, f := range c.files {
			ast.Inspect(f, func(n ast.Node) bool {
				switch n := n.(type) {
				case *ast.IfStmt:
					return !onlyStepped(n.Cond)
				case *ast.AssignStmt:
					for i, left := range n.Lhs {
						if id, ok := left.(*ast.Ident); ok && c.info.Defs[id] != nil {
							put(c.info.Defs[id], n.Rhs[min(i, len(n.Rhs)-1)])
						} else {
							put(s.nameOf(left, c.info), n.Rhs[min(i, len(n.Rhs)-1)])
						}
					}
				case *ast.KeyValueExpr:
					if id, ok := n.Key.(*ast.Ident); ok {
						put(c.info.Uses[id], n.Value)
					}
				case *ast.CallExpr:
					f, ok := s.nameOf(n.Fun, c.info).(*types.Func)
					if !ok || s.methods[f.Origin()] == nil {
						break
					}
					params := f.Origin().Signature().Params()
					for i, arg := range n.Args {
						put(params.At(min(i, params.Len()-1)), arg)
					}
				}
				return true
			})
		}
	}
	return maps.Clone(out)
}
