package guard

import (
	"bytes"
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// held are faults that other tests bring in, with the function that does.
var held = []struct{ what, must, where, test string }{
	{"SIGTERM in every state of the latch", "relay off first, `ended` on record last; the next comes up as the state asks", "cmd/downhauld", "TestPromise05_SignalsInEveryState"},
	{"SIGKILL in every state of the latch", "the next comes up tripped, after a fault in fault", "cmd/downhauld", "TestPromise05_SignalsInEveryState"},
	{"SIGSTOP in every state of the latch, and on again after 1.5 s", "the watchdog lets go in its window; the chain is open and stays so, also a reset does not outlast it", "cmd/downhauld", "TestPromise05_SignalsInEveryState"},
	{"the process is killed at random moments under load", "no trip that was told as kept is missing; the next comes up latched", "cmd/downhauld", "TestPromise04_KilledAtRandomMoments"},
	{"a panic on each goroutine, while power is on", "the process dies; the next comes up tripped", "cmd/downhauld", "TestPromise01_PanicOnEveryGoroutine"},
	{"a panic that somebody catches, a goroutine that nobody tried", "there is none", "cmd/downhauld", "TestEveryGoroutineIsListed"},
	{"no more memory, under a flood", "it goes on within what it has, or dies and the next comes up tripped", "cmd/downhauld", "TestNoMoreMemory"},
	{"too little memory at the start", "no start; nothing stands in the way of the next", "cmd/downhauld", "TestStartWithTooLittleMemory"},
	{"no processor time: lowest priority beside busy processes", "the watchdog lets go, the held-up loop trips", "cmd/downhauld", "TestStarvedOfTheProcessor"},
	{"a second guard on the same pad", "refused", "cmd/downhauld", "TestSecondDaemonIsRefused"},
	{"the serial line goes dead", "power off by staleness; reconnects are said", "cmd/downhauld", "TestDeadSerialLineIsSeen"},
	{"the serial line is pulled out and comes back as another device", "power off; heard again under its lasting name; nothing resumes", "cmd/downhauld", "TestSerialLineBackUnderAnotherName"},
	{"garbage on the telemetry port", "nothing", "cmd/downhauld", "TestGarbageOnThePortDisturbsNothing"},
	{"yesterday's signed frames", "refused and counted", "interlock/telemetry/signing", "TestPromise10_SignedFramesOnly"},
	{"the wall clock is stepped, or was never set", "only printed times change; the latest session is found by its number", "interlock/session", "TestPromise07_LatestByNumberNotByClock"},
	{"engine time that is told to run back", "it does not", "interlock", "TestPromise07_TimeNeverRunsBack"},
	{"the disk fills up", "trips act as ever; no reset until the trip is kept", "interlock/guard", "TestPromise04_DiskThatFillsUp"},
	{"the disk hangs for seconds in a write", "no trip is delayed; reset waits", "interlock/guard", "TestPromise04_HangingDiskDelaysNoTripAndKeepsResetWaiting"},
	{"the log folder is taken away", "trips act as ever; the trouble is told", "interlock/guard", "TestLogFolderTakenAway"},
	{"writing or syncing the trip log fails", "reset waits; said", "interlock/guard", "TestPromise04_FailingTripLogKeepsResetWaiting"},
	{"any one operation on the trip log's files fails", "no line is lost in silence", "interlock/triplog", "TestLog_EveryFailureAtEveryOperation"},
	{"the power is cut at any byte of the log", "told as torn, not as changed", "interlock/triplog", "TestPromise11_TornIsNotTampered"},
	{"the power is cut at every byte of the log", "the next start comes up latched", "interlock/session", "TestPromise05_PowerCutAtEveryByte"},
	{"any one byte of a log is changed", "the first line that is wrong is named", "interlock/triplog", "TestPromise11_EveryChangedByteIsNamed"},
	{"the log is cut at every byte", "the cut is told", "interlock/triplog", "TestPromise11_EveryCutIsNamed"},
	{"any of the three files is damaged", "refused whole, every fault with its line", "rules", "TestPromise09_EveryFaultAtOnce"},
	{"the page of a session is damaged", "it counts as broken off", "interlock/session", "TestUnfinished_Unreadable"},
	{"a recording is cut or changed at any byte", "said; what is whole is read", "interlock/recording", "TestRead_EveryChangedByte"},
	{"a dated record of a proof is damaged or half written", "it does not count: no start", "interlock/dated", "TestRecordsAreWholeOrDoNotCount"},
	{"the file of the signing key is damaged", "refused with the reason", "interlock/telemetry/signing", "TestReadKey"},
	{"a contactor that is welded, dead or miswired at the start", "found before power can reach the rotors", "interlock/commission", "TestFaultsAreFound"},
	{"the same, at every start", "found by the guard itself, before the relay closes for good", "interlock", "TestScripts"},
	{"a read-only disk at the start", "refused with the reason", "interlock/session", "TestCreate_ReadOnlyDisk"},
	{"clients of the local socket that never read, and floods of marks", "nothing is held up", "interlock/guard", "TestStuckClientsHoldUpNothing"},
	{"the computer hangs", "its hardware watchdog resets it", "hw/emulated", "TestEmulatedWatchdog"},
	{"the GPIO chip is gone", "the lines are silent: power off", "hw", "TestAChipThatIsGoneIsAnErrorNotALevel"},
}

const faultHead = `# What the guard does about what goes wrong

Made by ` + "`go test -run EveryFault ./interlock/guard -rewrite-table`" + ` and held to it by the
same test. A made-up craft hovers at 2.5 m, live, when the fault comes; times run
from there on the guard's own clock, with turns of 5 ms and the modelled chain of
the virtual board. They are no times of a real relay, contactor or rotor.

| fault | what must happen | first cause | relay's pin off after | rotors without power after | ends |
|---|---|---|---|---|---|
`

const heldHead = `
Held by tests of their own, because they need a process, a disk or a kernel:

| fault | what must happen | test |
|---|---|---|
`

// The tests that the table names are there.
func TestFaultTableNamesItsTests(t *testing.T) {
	for _, h := range held {
		files, err := filepath.Glob(filepath.Join("..", "..", filepath.FromSlash(h.where), "*_test.go"))
		must(t, err)
		if !slices.ContainsFunc(files, func(name string) bool {
			text, err := os.ReadFile(name)
			must(t, err)
			return bytes.Contains(text, []byte("func "+h.test+"("))
		}) {
			t.Errorf("%s: no test %s in %s", h.what, h.test, h.where)
		}
	}
}
