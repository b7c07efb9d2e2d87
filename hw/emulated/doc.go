// Package emulated boots the daemon on an emulated arm64 computer and plays the
// wiring and the crew around it, for tests only: the stock kernel of a
// distribution, its driver of a GPIO chip, and the shipped binary, with nothing
// of ours between them.
//
// Outside stand a model of the kill chain that sees nothing but the edges of
// the output pins and drives nothing but the mirror contact's pin, and hands
// that press buttons, break contacts and turn an anemometer.
//
// It promises that every output edge that the chip shows is seen, in order. It
// promises nothing about time: the emulator shares its computer with whatever
// else runs, and a time measured here is no figure of any board. Nothing is
// downloaded here; fetch, beside this file, does that once. It never speaks to
// anything but loopback addresses and its own sockets.
//
// What lasts is asked for by a flag: -flown flies two whole trials, each pad's logs held
// against what was true of the craft (go test ./hw/emulated -run TestFlown -v -flown
// -timeout 30m), -system tries the package's service, -cuts and -images cut the power more
// often, -hx711 reads that converter, and -measure prints times.
package emulated
