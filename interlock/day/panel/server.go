package panel

import (
	"bytes"
	"context"
	"embed"
	"errors"
	"fmt"
	"io"
	"log"
	"net"
	"net/http"
	"net/netip"
	"strconv"
	"strings"
	"sync"
	"time"

	"downhaul/interlock/day/answers/told"
)

//go:embed page
var assets embed.FS

// Bounds, all ours.
const (
	// MostPages is how many pages may be open at a time, MostFrom how many of
	// them from one device.
	MostPages, MostFrom = 64, 16
	// mostConns bounds connections of any kind, mostConnsFrom those from one
	// device: a browser opens six beside its pages.
	mostConns, mostConnsFrom = 2 * MostPages, 2 * MostFrom
	// mostHeader bounds a request's line and headers, in bytes.
	mostHeader = 8 << 10
	// readWithin is how long a request may take to come, writeWithin how long
	// a page may leave an event unread before it is dropped.
	readWithin, writeWithin = 5 * time.Second, 2 * time.Second
	idleWithin              = 30 * time.Second
	sendBuffer              = 32 << 10
)

// Config is what a panel needs. Nothing in it has a silent default.
type Config struct {
	// Listen is the one address that is served, such as 192.0.2.1:8080. An
	// address that stands for every interface is refused.
	Listen string
	// Ask asks the guard.
	Ask Ask
	// Pages and From bound open pages in all and from one device.
	Pages, From int
	// Names are what the page is called beside its address, such as pad.local.
	// A request under any other name is refused: else a web page somewhere on
	// the internet could have its own name point here and read what is shown.
	Names []string
}

// Panel is a page that is being served.
type Panel struct {
	cfg      Config
	listener net.Listener
	server   *http.Server
	source   *source
	pages    *pages
	files    map[string]file
	hosts    map[string]bool // what the page is called
	done     chan struct{}
}

type file struct {
	kind string
	text []byte
	code int // of HTTP; 0 is OK
}

// paths are everything that can be asked for, beside the events.
var paths = []struct{ path, name, kind string }{
	{"/", "page/page.html", "text/html; charset=utf-8"},
	{"/page.css", "page/page.css", "text/css; charset=utf-8"},
	{"/page.js", "page/page.js", "text/javascript; charset=utf-8"},
	{"/wind.js", "page/wind.js", "text/javascript; charset=utf-8"},
	{"/icon.svg", "page/icon.svg", "image/svg+xml"},
}

// Open checks the config and takes the address. Serve does the rest.
func Open(cfg Config) (*Panel, error) {
	if cfg.Ask == nil || cfg.Pages <= 0 || cfg.From <= 0 {
		return nil, errors.New("panel: somebody to ask and bounds for the pages must be given")
	}
	address, err := named(cfg.Listen)
	if err != nil {
		return nil, err
	}
	l, err := net.Listen("tcp", address)
	if err != nil {
		return nil, fmt.Errorf("listen on %s: %w", address, err)
	}
	p, err := on(cfg, l)
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return p, nil
}

// on makes a panel that serves what comes in there.
func on(cfg Config, l net.Listener) (*Panel, error) {
	start := time.Now()
	p := &Panel{
		cfg:    cfg,
		source: &source{name: strconv.FormatInt(start.UnixNano(), 36), now: func() time.Duration { return time.Since(start) }, fresh: make(chan struct{}, 1)},
		pages:  &pages{most: cfg.Pages, mostFrom: cfg.From, open: map[*page]bool{}},
		files:  map[string]file{},
		done:   make(chan struct{}),
	}
	for _, f := range paths {
		text, err := assets.ReadFile(f.name)
		if err != nil {
			return nil, fmt.Errorf("panel: %w", err)
		}
		p.files[f.path] = file{kind: f.kind, text: text}
	}
	p.listener = &fewConns{Listener: l, most: mostConns, mostFrom: mostConnsFrom, open: map[*oneConn]bool{}}
	p.hosts = map[string]bool{}
	if address, ok := l.Addr().(*net.TCPAddr); ok {
		p.hosts[address.AddrPort().Addr().Unmap().WithZone("").String()] = true
		p.hosts["localhost"] = address.IP.IsLoopback()
	}
	for _, name := range cfg.Names {
		p.hosts[strings.ToLower(strings.TrimSuffix(name, "."))] = true
	}
	p.server = &http.Server{
		Handler: http.HandlerFunc(p.handle), MaxHeaderBytes: mostHeader,
		ReadHeaderTimeout: readWithin, ReadTimeout: readWithin, WriteTimeout: writeWithin, IdleTimeout: idleWithin,
		ErrorLog:                     log.New(io.Discard, "", 0), // what strangers send must fill no log
		DisableGeneralOptionsHandler: true,
	}
	return p, nil
}

// named wants one address of one interface.
func named(listen string) (string, error) {
	host, port, err := net.SplitHostPort(listen)
	if err != nil {
		return "", fmt.Errorf("listen address %q: want an address and a port, such as 192.0.2.1:8080", listen)
	}
	if host == "localhost" {
		host = "127.0.0.1"
	}
	ip, err := netip.ParseAddr(host)
	if err != nil {
		return "", fmt.Errorf("listen address %q: name the one address as a number, such as 192.0.2.1:8080", listen)
	}
	if ip.IsUnspecified() || ip.IsMulticast() {
		return "", fmt.Errorf("listen address %q stands for every interface; name the one that the crew's devices reach, such as 192.0.2.1:8080", listen)
	}
	if _, err := strconv.ParseUint(port, 10, 16); err != nil {
		return "", fmt.Errorf("listen address %q: the port is a number from 0 to 65535", listen)
	}
	return net.JoinHostPort(ip.String(), port), nil
}

// Address is where the page is served.
func (p *Panel) Address() string { return p.listener.Addr().String() }

// Serve serves until ctx ends.
func (p *Panel) Serve(ctx context.Context) error {
	ctx, stop := context.WithCancel(ctx)
	defer stop()
	var work sync.WaitGroup
	go p.source.follow(ctx, p.cfg.Ask) // a question in the air may outlive Serve by its time limit
	work.Go(func() { p.tellAll(ctx) })
	ended := make(chan error, 1)
	go func() { ended <- p.server.Serve(p.listener) }()
	var err error
	select {
	case err = <-ended:
	case <-ctx.Done():
	}
	stop()
	p.pages.end()
	close(p.done)
	p.server.Close()
	work.Wait()
	if errors.Is(err, http.ErrServerClosed) {
		err = nil
	}
	return err
}

// tellAll gives every page the newest as soon as the guard has answered, and
// when it does not answer, that it does not.
func (p *Panel) tellAll(ctx context.Context) {
	tick := time.NewTicker(tellEvery)
	defer tick.Stop()
	var windAt time.Duration
	for {
		select {
		case <-ctx.Done():
			return
		case <-p.source.fresh:
		case <-tick.C:
		}
		p.pages.tell(isFrame, event("frame", p.source.frame()))
		if now := p.source.now(); now >= windAt {
			windAt = now + windEvery
			p.pages.tell(isWind, p.windEvent())
		}
	}
}

func (p *Panel) windEvent() []byte {
	p.source.mu.Lock()
	defer p.source.mu.Unlock()
	return event("wind", p.source.wind.picture())
}

// handle answers every request. It only ever reads.
func (p *Panel) handle(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "no-referrer")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cache-Control", "no-store")
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		h.Set("Allow", "GET, HEAD")
		refuse(w, http.StatusMethodNotAllowed, "This page only reads. It takes GET and HEAD.")
		return
	}
	if r.ContentLength != 0 || len(r.TransferEncoding) > 0 {
		refuse(w, http.StatusRequestEntityTooLarge, "This page only reads. It takes no data.")
		return
	}
	if !p.own(r.Host) {
		refuse(w, http.StatusMisdirectedRequest, fmt.Sprintf("This page is called http://%s/ and answers to no other name. Open that, or start the panel with --name and the name.", p.Address()))
		return
	}
	if o := r.Header.Get("Origin"); o != "" && !p.own(strings.TrimPrefix(o, "http://")) || r.Header.Get("Sec-Fetch-Site") == "cross-site" && r.Header.Get("Sec-Fetch-Mode") != "navigate" {
		refuse(w, http.StatusForbidden, "This page answers to itself, not to other pages.")
		return
	}
	if r.URL.Path == "/events" {
		p.events(w, r)
		return
	}
	f, ok := p.files[r.URL.Path]
	if !ok && (r.URL.Path == "/metrics" || r.URL.Path == "/health") {
		f, ok = p.forPrograms(r.URL.Path)
	}
	if !ok {
		refuse(w, http.StatusNotFound, "There is one page here, at /.")
		return
	}
	h.Set("Content-Type", f.kind)
	h.Set("Content-Length", strconv.Itoa(len(f.text)))
	if f.code != 0 {
		w.WriteHeader(f.code)
	}
	if r.Method == http.MethodGet {
		w.Write(f.text)
	}
}

// forPrograms is what a program that watches the guard asks for: its figures, or whether
// it answers, both as the page would show them now.
func (p *Panel) forPrograms(path string) (file, bool) {
	now := p.source.frame()
	if path == "/health" {
		if now.Dead != "" {
			return file{"text/plain; charset=utf-8", []byte(now.Dead + "\n"), http.StatusServiceUnavailable}, true
		}
		return file{kind: "text/plain; charset=utf-8", text: []byte("The guard answers, and its loop turns.\n")}, true
	}
	if now.Status != nil {
		now.Status.AgeS = now.AgeS
	}
	var text bytes.Buffer
	err := now.Status.Metrics(&text)
	return file{kind: told.MetricsType, text: text.Bytes()}, err == nil
}

// own reports whether a Host header, with or without a port, names this page.
func (p *Panel) own(host string) bool {
	if name, _, err := net.SplitHostPort(host); err == nil {
		host = name
	}
	host = strings.Trim(strings.ToLower(strings.TrimSuffix(host, ".")), "[]")
	if ip, err := netip.ParseAddr(host); err == nil {
		host = ip.Unmap().WithZone("").String()
	}
	return p.hosts[host]
}

func refuse(w http.ResponseWriter, code int, why string) {
	w.Header().Set("Connection", "close")
	http.Error(w, why, code)
}

// events streams to one page until it goes, falls behind, or the panel ends.
func (p *Panel) events(w http.ResponseWriter, r *http.Request) {
	from, _, _ := net.SplitHostPort(r.RemoteAddr)
	if r.Method == http.MethodHead {
		if full := p.pages.full(from); full != "" {
			w.Header().Set("Retry-After", "5")
			refuse(w, http.StatusServiceUnavailable, full)
			return
		}
		w.Header().Set("Content-Type", "text/event-stream")
		return
	}
	pg, full := p.pages.join(from)
	if full != "" {
		w.Header().Set("Retry-After", "5")
		refuse(w, http.StatusServiceUnavailable, full)
		return
	}
	defer p.pages.leave(pg)
	w.Header().Set("Content-Type", "text/event-stream")
	control := http.NewResponseController(w)
	// The request is in; its time limit must not end the stream.
	if control.SetReadDeadline(time.Time{}) != nil {
		return
	}
	send := func(text []byte) bool {
		if control.SetWriteDeadline(time.Now().Add(writeWithin)) != nil {
			return false
		}
		if _, err := w.Write(text); err != nil {
			return false
		}
		return control.Flush() == nil
	}
	if !send([]byte("retry: 1000\n\n")) {
		return
	}
	pg.put(isFrame, event("frame", p.source.frame()))
	pg.put(isWind, p.windEvent())
	for {
		select {
		case <-r.Context().Done():
			return
		case <-p.done:
			return
		case <-pg.gone:
			return
		case <-pg.wake:
		}
		for _, text := range pg.take() {
			if !send(text) {
				return
			}
		}
	}
}
