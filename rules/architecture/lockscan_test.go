package architecture

import (
	"fmt"
	"go/ast"
	"go/token"
	"go/types"
	"slices"
	"strings"
)

// harmless are packages whose functions wait for nothing and take no lock that is
// held for longer than a look into memory. With "." a name stands for one function.
var harmless = strings.Fields(`errors fmt regexp slices maps cmp strings strconv bytes sort math math/bits unicode unicode/utf8
	time sync/atomic net/netip net/url math/big math/rand/v2 encoding/binary encoding/hex encoding/json crypto/sha256 crypto/subtle hash
	sync.Add sync.Done sync.Go context.Err context.Done context.Value unsafe iter`)

// waiting are functions of those packages that wait or write all the same.
var waiting = strings.Fields(`time.Sleep fmt.Print fmt.Printf fmt.Println fmt.Scan fmt.Fscan json.Encode json.Decode`)

// later are functions that run what they are handed on another goroutine.
var later = strings.Fields("sync.Go time.AfterFunc context.AfterFunc")

// anywhere are methods that others call without anybody seeing it, as printing an
// error does: none of them may take a lock, wherever it stands.
var anywhere = strings.Fields("Error String GoString Format MarshalJSON MarshalText UnmarshalJSON UnmarshalText")

// lockScan is a program that is looked at.
type lockScan struct {
	set      *token.FileSet
	packages []*checked
	methods  map[*types.Func]*method
	literals map[*ast.FuncLit]*method
	locals   map[types.Object]*ast.FuncLit // variables that hold one literal for good
	behinds  map[string]callee
	named    []*types.Named
	all      []*method
}

// newLockScan walks every function of the packages, which come in the order of their
// imports.
func newLockScan(set *token.FileSet, packages []*checked) *lockScan {
	s := &lockScan{set: set, packages: packages, methods: map[*types.Func]*method{},
		literals: map[*ast.FuncLit]*method{}, locals: map[types.Object]*ast.FuncLit{}, behinds: map[string]callee{}}
	for _, c := range packages {
		for _, name := range c.pkg.Scope().Names() {
			if n, ok := c.pkg.Scope().Lookup(name).Type().(*types.Named); ok && !types.IsInterface(n) {
				s.named = append(s.named, n)
			}
		}
		for _, f := range c.files {
			for _, d := range f.Decls {
				if d, ok := d.(*ast.FuncDecl); ok {
					obj := c.info.Defs[d.Name].(*types.Func)
					s.methods[obj] = s.method(shortName(obj), d.Pos())
				}
			}
			s.findLocals(c, f)
		}
	}
	for _, c := range packages {
		for _, f := range c.files {
			for _, d := range f.Decls {
				w := &walker{scan: s, c: c, params: map[types.Object]bool{}}
				switch d := d.(type) {
				case *ast.FuncDecl:
					w.body(s.methods[c.info.Defs[d.Name].(*types.Func)], d.Type, d.Recv, d.Body, held{})
				case *ast.GenDecl:
					w.f = &frame{into: s.method(c.pkg.Name()+"'s variables", d.Pos())}
					w.stmt(&ast.DeclStmt{Decl: d}, held{})
				}
			}
		}
	}
	s.spread()
	return s
}

func (s *lockScan) method(name string, pos token.Pos) *method {
	m := &method{name: name, pos: pos}
	s.all = append(s.all, m)
	return m
}

func (s *lockScan) literal(lit *ast.FuncLit, name string) *method {
	if s.literals[lit] == nil {
		s.literals[lit] = s.method(name, lit.Pos())
	}
	return s.literals[lit]
}

// findLocals finds variables of functions that are set once, to a literal.
func (s *lockScan) findLocals(c *checked, f *ast.File) {
	set := map[types.Object]int{}
	ast.Inspect(f, func(n ast.Node) bool {
		a, ok := n.(*ast.AssignStmt)
		if !ok {
			return true
		}
		for i, left := range a.Lhs {
			id, ok := left.(*ast.Ident)
			if !ok {
				continue
			}
			obj := c.info.Defs[id]
			if obj == nil {
				obj = c.info.Uses[id]
			}
			set[obj]++
			if lit, ok := a.Rhs[min(i, len(a.Rhs)-1)].(*ast.FuncLit); ok && a.Tok == token.DEFINE {
				s.locals[obj] = lit
			}
		}
		return true
	})
	for obj := range s.locals {
		if set[obj] > 1 {
			delete(s.locals, obj)
		}
	}
}

// spread hands every function the reason why it may not be called under a lock, until nobody
// learns anything new.
func (s *lockScan) spread() {
	for moved := true; moved; {
		moved = false
		for _, m := range s.all {
			for i := range m.events {
				if e := &m.events[i]; m.why == "" && !e.silent {
					if m.why = e.why(); m.why != "" {
						m.why += " (" + s.place(e.at) + ")"
						moved = true
					}
				}
			}
		}
	}
}

// why is the reason why an event may not happen under a lock; empty for none.
func (e *event) why() string {
	if e.what != "" {
		return e.what
	}
	for _, m := range e.calls {
		if m.why != "" {
			why := m.why
			if len(why) > 400 {
				why = why[:400] + " ..."
			}
			return "calls " + m.name + ", which " + why
		}
	}
	return ""
}

func (s *lockScan) place(at token.Pos) string {
	p := s.set.Position(at)
	return fmt.Sprintf("%s:%d", p.Filename, p.Line)
}

// lockFault is something that happens under a lock and may not.
type lockFault struct {
	in   string // the function
	at   token.Position
	says string
}

// faults lists them in the order of their places.
func (s *lockScan) faults() []lockFault {
	var out []lockFault
	for _, m := range s.all {
		for i := range m.events {
			e := &m.events[i]
			if why := e.why(); why != "" && len(e.under) > 0 {
				out = append(out, lockFault{m.name, s.set.Position(e.at), "while it holds " + e.under.names() + " it " + why})
			}
		}
		if name := m.name[strings.LastIndex(m.name, ".")+1:]; m.why != "" && slices.Contains(anywhere, name) && strings.Count(m.name, ".") > 1 {
			out = append(out, lockFault{m.name, s.set.Position(m.pos), "it " + m.why + ", and " + name + " is called where nobody sees it"})
		}
	}
	slices.SortFunc(out, func(a, b lockFault) int {
		if c := strings.Compare(a.at.Filename, b.at.Filename); c != 0 {
			return c
		}
		return a.at.Offset - b.at.Offset
	})
	return slices.CompactFunc(out, func(a, b lockFault) bool { return a == b })
}

// shortName is a function as its own package would write it, with the package.
func shortName(f *types.Func) string {
	name := f.Pkg().Name() + "."
	if recv := f.Type().(*types.Signature).Recv(); recv != nil {
		if n := namedOf(recv.Type()); n != nil {
			name += n.Obj().Name() + "."
		}
	}
	return name + f.Name()
}

func namedOf(t types.Type) *types.Named {
	if p, ok := types.Unalias(t).(*types.Pointer); ok {
		t = p.Elem()
	}
	n, _ := types.Unalias(t).(*types.Named)
	return n
}

// isLock reports whether the method is one that takes a lock or lets it go.
func isLock(f *types.Func) bool {
	recv := f.Type().(*types.Signature).Recv()
	if f.Pkg() == nil || f.Pkg().Path() != "sync" || recv == nil {
		return false
	}
	n := namedOf(recv.Type())
	return n != nil && slices.Contains(strings.Fields("Mutex RWMutex Locker"), n.Obj().Name()) && strings.HasSuffix(f.Name(), "ock")
}

// lockOp is the lock that a call takes or lets go, by the expression, and what it does.
func (w *walker) lockOp(call *ast.CallExpr) (lock, op string) {
	sel, ok := ast.Unparen(call.Fun).(*ast.SelectorExpr)
	if !ok {
		return "", ""
	}
	f, ok := w.c.info.Uses[sel.Sel].(*types.Func)
	if !ok || !isLock(f) {
		return "", ""
	}
	return types.ExprString(sel.X), strings.NewReplacer("RLock", "Lock", "RUnlock", "Unlock").Replace(f.Name())
}

// lockName is a lock with the type that it stands in.
func (w *walker) lockName(call *ast.CallExpr, lock string) string {
	x := ast.Unparen(call.Fun).(*ast.SelectorExpr).X
	if in, ok := x.(*ast.SelectorExpr); ok {
		if n := namedOf(w.c.info.TypeOf(in.X)); n != nil {
			return "the lock " + n.Obj().Name() + "." + in.Sel.Name
		}
	}
	return "the lock " + lock
}

func isPanic(c *checked, call *ast.CallExpr) bool {
	id, ok := call.Fun.(*ast.Ident)
	return ok && id.Name == "panic" && c.info.Types[id].IsBuiltin()
}

// callee is whom a call may reach.
type callee struct {
	methods []*method
	what    string // why nobody can be called here under a lock
	param   bool   // a function that was handed in: whoever handed it in counts it as called
	later   bool   // what is handed over runs on another goroutine
	holds   held   // held while what is handed over runs
	outside string // a function of others, with its package
	value   ast.Expr
}

// callees finds whom a call may reach.
func (w *walker) callees(call *ast.CallExpr) (to callee) {
	fun := ast.Unparen(call.Fun)
	switch x := fun.(type) {
	case *ast.IndexExpr:
		fun = ast.Unparen(x.X)
	case *ast.IndexListExpr:
		fun = ast.Unparen(x.X)
	}
	if tv := w.c.info.Types[fun]; tv.IsType() || tv.IsBuiltin() {
		return to
	}
	var obj types.Object
	switch x := fun.(type) {
	case *ast.FuncLit:
		return to // walked where it stands
	case *ast.Ident:
		obj = w.c.info.Uses[x]
	case *ast.SelectorExpr:
		obj = w.c.info.Uses[x.Sel]
		if s := w.c.info.Selections[x]; s != nil && types.IsInterface(s.Recv()) {
			if f, ok := obj.(*types.Func); ok {
				return w.scan.behind(s.Recv(), f)
			}
		}
	}
	switch obj := obj.(type) {
	case *types.Func:
		return w.scan.function(obj.Origin())
	case *types.Var:
		if lit := w.scan.locals[obj]; lit != nil {
			w.apart(lit)
			to.methods = []*method{w.scan.literal(lit, "")}
			return to
		}
		if w.params[obj] {
			to.param, to.value = true, fun
			return to
		}
	}
	if from, ok := fun.(*ast.CallExpr); ok {
		if to := w.callees(from); to.what == "" && to.methods == nil && !to.param {
			return to // such as slices.Backward: what a harmless package gives is harmless
		}
	}
	to.value = fun
	to.what = "calls the function value " + types.ExprString(fun) + ", and nobody can tell what it does"
	return to
}

// function is a function or method that is known by name.
func (s *lockScan) function(f *types.Func) (to callee) {
	if recv := f.Type().(*types.Signature).Recv(); recv != nil && types.IsInterface(recv.Type()) {
		return s.behind(recv.Type(), f) // promoted from an interface that is embedded
	}
	if m := s.methods[f]; m != nil {
		to.methods = []*method{m}
		return to
	}
	pkg := f.Pkg()
	if pkg == nil { // error.Error
		return to
	}
	name := pkg.Name() + "." + f.Name()
	to.outside = pkg.Path() + "." + f.Name()
	to.later = slices.Contains(later, name)
	if pkg.Path() == "sync" && strings.HasPrefix(f.Name(), "Once") || name == "sync.Do" {
		to.holds = held{"sync.Once": f.Pos()}
		to.what = "takes the lock of " + name
		return to
	}
	if !slices.Contains(harmless, pkg.Path()) && !slices.Contains(harmless, name) || slices.Contains(waiting, name) {
		to.what = "calls " + name + ", which may wait"
	}
	return to
}

// behind is every method of ours that a call through an interface may reach. What
// others have behind an interface of theirs is judged by its package.
func (s *lockScan) behind(recv types.Type, f *types.Func) (to callee) {
	iface, ok := recv.Underlying().(*types.Interface)
	if p, is := recv.(*types.TypeParam); is {
		iface, ok = p.Constraint().Underlying().(*types.Interface)
	}
	if !ok {
		to.what = "calls " + f.Name() + " through a type that the scan does not know"
		return to
	}
	key := recv.String() + "." + f.Name()
	if done, ok := s.behinds[key]; ok {
		return done // also one that embeds the very interface that it has
	}
	s.behinds[key] = callee{}
	defer func() { s.behinds[key] = to }()
	for _, n := range s.named {
		if n.TypeParams().Len() > 0 {
			continue
		}
		if t := types.NewPointer(n); types.Implements(t, iface) {
			if m, _, _ := types.LookupFieldOrMethod(t, true, f.Pkg(), f.Name()); m != nil {
				more := s.function(m.(*types.Func).Origin())
				to.methods = append(to.methods, more.methods...)
				if to.what == "" {
					to.what = more.what
				}
			}
		}
	}
	pkg := f.Pkg()
	if n := namedOf(recv); n != nil {
		pkg = n.Obj().Pkg() // hash.Hash is a hash, although its Write is that of io
	}
	ours := slices.ContainsFunc(s.packages, func(c *checked) bool { return c.pkg == pkg })
	switch {
	case pkg == nil: // error.Error: harmless with others, and ours are looked at anywhere
	case !ours && !slices.Contains(harmless, pkg.Path()):
		to.what = "calls " + f.Pkg().Name() + "." + f.Name() + " through an interface of others"
	case ours && to.what == "" && len(to.methods) == 0:
		to.what = "calls " + f.Name() + " through an interface that nobody here has"
	}
	return to
}
