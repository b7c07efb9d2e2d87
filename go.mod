module downhaul

go 1.26.0

require (
	github.com/BurntSushi/toml v1.6.0
	github.com/alecthomas/kong v1.17.0
	github.com/bluenviron/gomavlib/v3 v3.3.0
	github.com/coreos/go-systemd/v22 v22.7.0
	github.com/google/go-cmp v0.7.0
	github.com/gopacket/gopacket v1.7.7
	github.com/rogpeppe/go-internal v1.16.0
	github.com/rs/zerolog v1.35.1
	go.bug.st/serial v1.8.0
	golang.org/x/sys v0.50.0
	periph.io/x/conn/v3 v3.7.3
	periph.io/x/host/v3 v3.8.5
	pgregory.net/rapid v1.3.0
)

require (
	github.com/mattn/go-colorable v0.1.14 // indirect
	github.com/mattn/go-isatty v0.0.20 // indirect
	golang.org/x/net v0.55.0 // indirect
	golang.org/x/tools v0.44.0 // indirect
)
