package architecture

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"maps"
	"slices"
	"strings"
)

// The lock scan walks every function of a program in the order in which it runs and
// knows, at each place, which locks may be held there. It is a may-analysis: where
// ways meet, a lock that one of them holds counts as held.

// held are the locks that may be held, each by the expression it was taken through;
// nil is a place that cannot be reached.
type held map[string]token.Pos

func (h held) with(lock string, at token.Pos) held {
	out := maps.Clone(h)
	if out != nil {
		out[lock] = at
	}
	return out
}

func (h held) without(lock string) held {
	out := maps.Clone(h)
	delete(out, lock)
	return out
}

func join(a, b held) held {
	if a == nil {
		return b
	}
	out := maps.Clone(a)
	maps.Copy(out, b)
	return out
}

func (h held) names() string { return strings.Join(slices.Sorted(maps.Keys(h)), ", ") }

// event is something that a function does which may not happen under a lock.
type event struct {
	at     token.Pos
	under  held
	what   string    // what it does by itself; empty for a call
	calls  []*method // whom it may call
	silent bool      // counts only where a lock is held in this very function
	apart  bool      // only a stepped guard comes there
	shares string    // what it uses that others may hold up or that wakes others: a lock, a channel, a timer, a goroutine
	value  ast.Expr  // the function value that it calls
	info   *types.Info
}

// method is one function, method or literal with what it does.
type method struct {
	name   string
	pos    token.Pos
	events []event
	why    string // the first reason why it may not be called under a lock
}

// frame is one function that is being walked.
type frame struct {
	into   *method
	exits  held
	defers []*ast.CallExpr
	loops  []*target
}

// target is what break and continue lead to.
type target struct {
	label             string
	loop              bool
	breaks, continues held
}

// walker walks one package.
type walker struct {
	scan   *lockScan
	c      *checked
	f      *frame
	params map[types.Object]bool // of every function around this place
	label  string
	// stepped is a place that only a guard without goroutines of its own comes to.
	stepped bool
}

// onlyStepped reports whether a condition is true of such a guard alone.
func onlyStepped(cond ast.Expr) bool {
	return strings.HasSuffix(types.ExprString(cond), "opts.Stepped") && !strings.Contains(types.ExprString(cond), "!")
}

// shared notes what a place shares with others, whatever is held.
func (w *walker) shared(at token.Pos, shares string) {
	if !w.stepped {
		w.f.into.events = append(w.f.into.events, event{at: at, shares: shares, silent: true})
	}
}

func (w *walker) event(at token.Pos, under held, what string, calls ...*method) {
	if under != nil {
		w.f.into.events = append(w.f.into.events, event{at: at, under: under, what: what, calls: calls, apart: w.stepped})
	}
}

// body walks a function from an empty hand, or from what is held where it is called
// at once.
func (w *walker) body(into *method, sig *ast.FuncType, recv *ast.FieldList, block *ast.BlockStmt, in held) {
	if block == nil {
		return
	}
	outer := w.f
	w.f = &frame{into: into}
	for _, fields := range []*ast.FieldList{recv, sig.Params} {
		if fields == nil {
			continue
		}
		for _, field := range fields.List {
			for _, name := range field.Names {
				w.params[w.c.info.Defs[name]] = true
			}
		}
	}
	out := join(w.stmts(block.List, in), w.f.exits)
	for _, call := range slices.Backward(w.f.defers) {
		out = w.expr(call, out)
	}
	for lock, at := range out {
		if _, before := in[lock]; !before {
			w.event(at, out, "is still held where the function returns; let a lock go in the function that takes it")
		}
	}
	w.f = outer
}

func (w *walker) stmts(list []ast.Stmt, in held) held {
	for _, s := range list {
		in = w.stmt(s, in)
	}
	return in
}

func (w *walker) stmt(s ast.Stmt, in held) held {
	switch s := s.(type) {
	case nil, *ast.EmptyStmt, *ast.BadStmt:
	case *ast.BlockStmt:
		return w.stmts(s.List, in)
	case *ast.ExprStmt:
		return w.expr(s.X, in)
	case *ast.DeferStmt:
		w.f.defers = append(w.f.defers, s.Call)
		for _, arg := range s.Call.Args {
			if _, lit := arg.(*ast.FuncLit); !lit {
				in = w.expr(arg, in)
			}
		}
	case *ast.GoStmt:
		w.shared(s.Pos(), "starts a goroutine")
		w.apart(s.Call.Fun)
		for _, arg := range s.Call.Args {
			in = w.expr(arg, in)
		}
	case *ast.SendStmt:
		in = w.expr(s.Value, w.expr(s.Chan, in))
		w.shared(s.Pos(), "uses a channel")
		w.event(s.Pos(), in, "waits for a channel to take something")
	case *ast.ReturnStmt:
		for _, e := range s.Results {
			in = w.expr(e, in)
		}
		w.f.exits = join(w.f.exits, in)
		return nil
	case *ast.BranchStmt:
		return w.branch(s, in)
	case *ast.LabeledStmt:
		w.label = s.Label.Name
		return w.stmt(s.Stmt, in)
	case *ast.IfStmt:
		in = w.stmt(s.Init, in)
		yes, no := w.cond(s.Cond, in)
		was := w.stepped
		w.stepped = was || onlyStepped(s.Cond)
		yes = w.stmt(s.Body, yes)
		w.stepped = was
		return join(yes, w.stmt(s.Else, no))
	case *ast.ForStmt:
		in = w.stmt(s.Init, in)
		yes, no := in, held(nil)
		if s.Cond != nil {
			yes, no = w.cond(s.Cond, in)
		}
		t, end := w.loop(s.Body, yes)
		w.stmt(s.Post, join(end, t.continues))
		return join(join(no, t.breaks), w.round(in, end, t, s.Cond != nil))
	case *ast.RangeStmt:
		in = w.expr(s.X, in)
		if _, ok := w.c.info.TypeOf(s.X).Underlying().(*types.Chan); ok {
			w.event(s.Pos(), in, "waits for a channel to give something")
			w.shared(s.Pos(), "uses a channel")
		}
		if _, ok := w.c.info.TypeOf(s.X).Underlying().(*types.Signature); ok {
			w.call(&ast.CallExpr{Fun: s.X, Lparen: s.X.End()}, in)
		}
		t, end := w.loop(s.Body, in)
		return join(join(in, t.breaks), w.round(in, end, t, true))
	case *ast.SwitchStmt:
		in = w.stmt(s.Init, in)
		if s.Tag != nil {
			in = w.expr(s.Tag, in)
		}
		return w.clauses(s.Body, in, false)
	case *ast.TypeSwitchStmt:
		return w.clauses(s.Body, w.stmt(s.Assign, w.stmt(s.Init, in)), false)
	case *ast.SelectStmt:
		w.shared(s.Pos(), "uses a channel")
		waits := true
		for _, c := range s.Body.List {
			waits = waits && c.(*ast.CommClause).Comm != nil
		}
		if waits {
			w.event(s.Pos(), in, "waits in a select")
		}
		return w.clauses(s.Body, in, true)
	default: // assignments and declarations
		ast.Inspect(s, func(n ast.Node) bool {
			if e, ok := n.(ast.Expr); ok {
				in = w.expr(e, in)
				return false
			}
			return true
		})
	}
	return in
}

// round joins what a loop's body leaves behind at its end, where the loop can be left
// there.
func (w *walker) round(in, end held, t *target, ends bool) held {
	if !ends {
		return nil
	}
	return join(end, t.continues)
}

// loop walks a body twice: what one round leaves held is held in the next.
func (w *walker) loop(body *ast.BlockStmt, in held) (*target, held) {
	t := &target{label: w.label, loop: true}
	w.label = ""
	w.f.loops = append(w.f.loops, t)
	n := len(w.f.into.events)
	end := w.stmts(body.List, in)
	if again := join(in, join(end, t.continues)); len(again) > len(in) {
		w.f.into.events = w.f.into.events[:n]
		end = w.stmts(body.List, again)
	}
	w.f.loops = w.f.loops[:len(w.f.loops)-1]
	return t, end
}

func (w *walker) branch(s *ast.BranchStmt, in held) held {
	if s.Tok == token.GOTO {
		w.event(s.Pos(), in.with("(goto)", s.Pos()), "jumps, and the scan cannot follow; use a loop")
		return nil
	}
	if s.Tok == token.FALLTHROUGH {
		return in
	}
	for _, t := range slices.Backward(w.f.loops) {
		if s.Label != nil && s.Label.Name != t.label || s.Label == nil && s.Tok == token.CONTINUE && !t.loop {
			continue
		}
		if s.Tok == token.BREAK {
			t.breaks = join(t.breaks, in)
		} else {
			t.continues = join(t.continues, in)
		}
		break
	}
	return nil
}

func (w *walker) clauses(body *ast.BlockStmt, in held, comm bool) held {
	t := &target{label: w.label}
	w.label = ""
	w.f.loops = append(w.f.loops, t)
	out, through, all := held(nil), held(nil), comm
	for _, c := range body.List {
		from, list := join(in, through), []ast.Stmt(nil)
		switch c := c.(type) {
		case *ast.CaseClause:
			all = all || c.List == nil
			for _, e := range c.List {
				from = w.expr(e, from)
			}
			list = c.Body
		case *ast.CommClause:
			list = c.Body
			if c.Comm != nil {
				w.ready(c.Comm, from)
			}
		}
		end := w.stmts(list, from)
		through = nil
		if n := len(list); n > 0 {
			if b, ok := list[n-1].(*ast.BranchStmt); ok && b.Tok == token.FALLTHROUGH {
				through = end
				continue
			}
		}
		out = join(out, end)
	}
	w.f.loops = w.f.loops[:len(w.f.loops)-1]
	if !all {
		out = join(out, in)
	}
	return join(out, t.breaks)
}

// ready walks the communication of a select's case, which waits for nothing by itself.
func (w *walker) ready(comm ast.Stmt, in held) {
	ast.Inspect(comm, func(n ast.Node) bool {
		if call, ok := n.(*ast.CallExpr); ok {
			w.expr(call, in)
			return false
		}
		return true
	})
}

// cond walks a condition and tells what is held where it is true, and where it is not.
func (w *walker) cond(e ast.Expr, in held) (yes, no held) {
	switch e := ast.Unparen(e).(type) {
	case *ast.UnaryExpr:
		if e.Op == token.NOT {
			no, yes = w.cond(e.X, in)
			return yes, no
		}
	case *ast.BinaryExpr:
		if e.Op != token.LOR && e.Op != token.LAND {
			break
		}
		yes, no = w.cond(e.X, in)
		if e.Op == token.LOR {
			more, none := w.cond(e.Y, no)
			return join(yes, more), none
		}
		all, less := w.cond(e.Y, yes)
		return all, join(no, less)
	case *ast.CallExpr:
		if lock, op := w.lockOp(e); strings.HasPrefix(op, "Try") {
			return w.expr(e, in), in.without(lock)
		}
	}
	out := w.expr(e, in)
	return out, out
}

// expr walks an expression; what it gives back differs from what went in only where it
// takes a lock or lets one go.
func (w *walker) expr(e ast.Expr, in held) held {
	ast.Inspect(e, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.FuncLit:
			w.apart(n)
			return false
		case *ast.UnaryExpr:
			if n.Op == token.ARROW {
				w.shared(n.Pos(), "uses a channel")
				w.event(n.Pos(), in, "waits for a channel to give something")
			}
		case *ast.SelectorExpr:
			if f, ok := w.c.info.Uses[n.Sel].(*types.Func); ok && isLock(f) {
				w.event(n.Pos(), in.with("(value)", n.Pos()), "uses a method of a lock as a value, which the scan cannot follow")
			}
		case *ast.CallExpr:
			in = w.call(n, in)
			return false
		}
		return true
	})
	return in
}

// call walks a call: the function's expression, the arguments, then the call itself.
func (w *walker) call(call *ast.CallExpr, in held) held {
	if lock, op := w.lockOp(call); op != "" {
		switch {
		case strings.HasSuffix(op, "Unlock"):
			if _, ok := in[lock]; !ok && in != nil {
				w.event(call.Pos(), in.with(lock, call.Pos()), "lets go of "+lock+", which this function did not take")
			}
			return in.without(lock)
		default:
			w.event(call.Pos(), in, "takes "+w.lockName(call, lock))
			w.shared(call.Pos(), "takes "+w.lockName(call, lock))
			return in.with(lock, call.Pos())
		}
	}
	if isPanic(w.c, call) {
		for _, arg := range call.Args {
			w.expr(arg, in)
		}
		return nil
	}
	switch fun := ast.Unparen(call.Fun).(type) {
	case *ast.FuncLit:
		w.body(w.f.into, fun.Type, nil, fun.Body, in)
	case *ast.SelectorExpr:
		in = w.expr(fun.X, in)
	}
	to := w.callees(call)
	for _, arg := range call.Args {
		if lit, ok := ast.Unparen(arg).(*ast.FuncLit); ok && !to.later {
			w.body(w.f.into, lit.Type, nil, lit.Body, join(in, to.holds))
			continue
		}
		in = w.expr(arg, in)
		if !to.later {
			w.handed(arg, join(in, to.holds))
		}
	}
	if id := types.ExprString(call.Fun); strings.HasPrefix(id, "fmt.Fprint") {
		if to := w.c.info.TypeOf(call.Args[0]).String(); to != "*strings.Builder" && to != "*bytes.Buffer" {
			w.event(call.Pos(), in, "writes to "+to+", which may wait")
		}
	}
	w.event(call.Pos(), in, to.what, to.methods...)
	w.beyond(call, to)
	if to.param && in != nil {
		w.f.into.events = append(w.f.into.events, event{at: call.Pos(), under: in, what: "calls back the function that was handed in", silent: true})
	}
	return in
}

// beyond notes what a call does that only whoever follows one thread must know.
func (w *walker) beyond(call *ast.CallExpr, to callee) {
	switch {
	case to.outside != "":
		w.shared(call.Pos(), to.outside)
	case to.value != nil && !w.stepped:
		w.f.into.events = append(w.f.into.events, event{at: call.Pos(), silent: true, value: to.value, info: w.c.info})
	}
}

// handed counts a function that is handed over as called there.
func (w *walker) handed(arg ast.Expr, in held) {
	if _, ok := w.c.info.TypeOf(arg).Underlying().(*types.Signature); !ok {
		return
	}
	if tv := w.c.info.Types[arg]; tv.IsNil() || tv.IsType() {
		return
	}
	to := w.callees(&ast.CallExpr{Fun: arg, Lparen: arg.End()})
	w.event(arg.Pos(), in, to.what, to.methods...)
}

// apart walks a function that runs later or elsewhere, with nothing held.
func (w *walker) apart(e ast.Expr) {
	lit, ok := ast.Unparen(e).(*ast.FuncLit)
	if !ok {
		return
	}
	m := w.scan.literal(lit, fmt.Sprintf("a function in %s", w.f.into.name))
	if m.events == nil {
		w.body(m, lit.Type, nil, lit.Body, held{})
	}
}
