package main

// guardFlags are the flags of downhauld; a test holds them against its help.
var guardFlags = [][2]string{
	{"--pad FILE", "The pad file; envelope.toml and card.toml are taken from beside it."},
	{"--envelope FILE", "Another envelope."},
	{"--card FILE", "Another test card."},
	{"--check", "Check the files and end."},
	{"--version", "Print version, revision, Go and forms of files, and end."},
}

func guardPage() page {
	w := newPage("downhauld", "8", "safety interlock for an uncrewed craft on a tether")
	w.head("SYNOPSIS")
	w.macro("Nm")
	w.macro("Fl -pad Ar file")
	w.macro("Op Fl -envelope Ar file")
	w.macro("Op Fl -card Ar file")
	w.macro("Op Fl -check")
	w.macro("Op Fl -version")
	w.head("DESCRIPTION")
	w.text("Reads the three files, opens the devices that the pad file names, and holds a kill relay closed only while everything is in order. " +
		"It hears one craft over MAVLink, reads the pad's own sensors, and sends the craft nothing. " +
		"When a limit is left it opens the relay or sounds \"bring it down\", latches, and writes down what happened.")
	w.para("It always comes up with the relay open: blocked, or tripped or in fault after a session that broke off or ended so. " +
		"Nothing but reset and then start, pressed at the pad, closes the chain. Nothing on a network can.")
	w.para("It works real pins alone. A pad file with a virtual board is refused: downhauld-bench runs those.")
	w.list(guardFlags)
	w.head("SERVICE")
	w.text("The unit downhauld.service runs it on /etc/downhaul/pad.toml as the user downhaul. Installing starts nothing:")
	w.literal("systemctl enable --now downhauld\nsystemctl status downhauld\njournalctl --unit downhauld")
	w.para("An upgrade of the package does not restart a running guard, and is refused while the relay is closed: the new program runs at the next start. " +
		"Members of the group downhaul may ask the guard, read its records and, while no guard runs, commission the pad.")
	w.para("The journal has a trip, a fault and POWER NOT REMOVED as errors, a caution as a warning:")
	w.literal("journalctl --unit downhauld --priority warning --follow")
	w.para("The service may write to /var/lib/downhaul alone. For a log folder on another disk, mount that by /etc/fstab, give the folder to the guard's user, and the service the folder:")
	w.literal("install --directory --owner=downhaul --group=downhaul --mode=0750 /media/records/downhaul\nsystemctl edit downhauld\n\n[Unit]\nRequiresMountsFor=/media/records\n[Service]\nReadWritePaths=/media/records/downhaul")
	w.para("The crew's group may add to the folders proof, shown and tilt there, so that prove, report and tilt keep what the next start needs. Commission, defect without a guard, and rehearse on the real board are run as the guard: sudo -u downhaul downhaul ...")
	w.head("SIGNALS")
	w.text("SIGTERM, SIGINT and SIGQUIT open the relay, stop the heartbeat, and end the session with a record. " +
		"So does SIGHUP (a lost terminal), but not while closing, live or lowering: it is noted then, and nothing ends. " +
		"Output that cannot be written ends nothing. " +
		"After SIGKILL, or any other death, the kernel leaves the relay's pin as it was: the missing heartbeat opens the chain, through the window watchdog. That watchdog is not optional.")
	w.head("FILES")
	w.list([][2]string{
		{"/etc/downhaul/pad.toml", "What stands at this pad."},
		{"/etc/downhaul/envelope.toml", "The day's limits."},
		{"/etc/downhaul/card.toml", "The craft and its steps; may be missing."},
		{"/var/lib/downhaul/", "A folder for each session: the three files as read, trips.jsonl and recording.pcapng. Proof tests in commission/, proofs of the limits in proof/."},
		{"/run/downhaul/guard.sock", "Answers status, and stamps remarks."},
		{"/usr/share/doc/downhaul/WIRING.md", "How the chain is wired, and what each broken part does."},
	})
	w.head("EXIT STATUS")
	w.text("0: ended by order, relay seen open. 1: a file is at fault, or the contactor was not seen open at the end. 2: could not do it.")
	w.head("SEE ALSO")
	w.macro("Xr downhaul 1 ,")
	w.macro("Xr downhauld-bench 1 ,")
	w.seeFormats(false)
	w.cautions()
	return page{"downhauld", "8", w.String()}
}

func benchPage() page {
	w := newPage("downhauld-bench", "1", "the guard with a virtual board, for rehearsals")
	w.head("SYNOPSIS")
	w.macro("Nm")
	w.macro("Fl -pad Ar file")
	w.macro("Op Fl -envelope Ar file")
	w.macro("Op Fl -card Ar file")
	w.macro("Op Fl -check")
	w.head("DESCRIPTION")
	w.text("Is downhauld joined with the virtual board: every line of a real pad, a modelled window watchdog, and a contactor that can be welded, dead or miswired, worked with downhaul board. " +
		"A rehearsal has no safety function. What it writes for a virtual board says so: session, trip log, recording, status and report.")
	w.list(guardFlags)
	w.head("SEE ALSO")
	w.macro("Xr downhaul 1 ,")
	w.macro("Xr downhauld 8")
	w.cautions()
	return page{"downhauld-bench", "1", w.String()}
}
