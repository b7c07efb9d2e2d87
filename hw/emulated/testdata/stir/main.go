// Command stir works the emergency stop of a guard on a virtual board without a pause,
// with a reset now and then, and marks on the disk itself, behind the file system, how
// many trips the guard tells as kept: what the disk was sent before a mark is older than
// what the mark says.
package main

import (
	"encoding/json"
	"fmt"
	"os"
	"time"

	"downhaul/hw/virtual"
	"downhaul/interlock/day/answers"
	"downhaul/interlock/day/answers/ask"

	"golang.org/x/sys/unix"
)

// sector is what one write of the disk holds whole.
const sector = 512

func main() {
	if err := run(os.Args[1], os.Args[2], os.Args[3], os.Args[4]); err != nil {
		fmt.Fprintln(os.Stderr, "stir:", err)
		os.Exit(2)
	}
}

func run(guard, board, disk, at string) error {
	var offset int64
	if _, err := fmt.Sscan(at, &offset); err != nil {
		return err
	}
	// Past the page cache, and without a flush: that would help the guard's own.
	f, err := os.OpenFile(disk, os.O_WRONLY|unix.O_DIRECT, 0)
	if err != nil {
		return err
	}
	defer f.Close()
	mark, err := unix.Mmap(-1, 0, sector, unix.PROT_READ|unix.PROT_WRITE, unix.MAP_ANON|unix.MAP_PRIVATE)
	if err != nil {
		return err
	}
	go stir(board)
	last := ""
	for {
		r, err := ask.Guard(guard, answers.Request{Do: "status"})
		if err != nil || r.Seen == nil {
			time.Sleep(50 * time.Millisecond) // between two guards
			continue
		}
		text, err := json.Marshal(map[string]any{"folder": r.Seen.Folder, "kept": r.Seen.View.Kept})
		if err != nil {
			return err
		}
		if string(text) == last {
			continue
		}
		last = string(text)
		clear(mark)
		copy(mark, text)
		if _, err := f.WriteAt(mark[:sector], offset); err != nil {
			return err
		}
	}
}

// stir goes on with the next board when one is gone.
func stir(socket string) {
	for ; ; time.Sleep(50 * time.Millisecond) {
		b, err := virtual.Dial(socket)
		for n := 0; err == nil; n++ {
			err = b.OpenContact("estop")
			time.Sleep(20 * time.Millisecond)
			if err == nil {
				err = b.CloseContact("estop")
			}
			time.Sleep(20 * time.Millisecond)
			if err == nil && n%8 == 0 {
				err = b.Press("reset")
				time.Sleep(400 * time.Millisecond)
				if err == nil {
					err = b.Release("reset")
				}
			}
		}
		if b != nil {
			_ = b.Close() // it is gone
		}
	}
}
