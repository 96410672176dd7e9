//go:build plantapart

package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"time"

	"roundsman/collector/practice/terms"
)

// plantProgram is the practice plant of a package: a daemon in an equipment room need not carry it.
const plantProgram = "roundsman-practice"

// A plant that was told to end and does not is killed after this time.
const plantEnds = 2 * time.Second

// plantApart is a practice plant in a process of its own. It begins with the first line of its input and ends with its
// input, thus also when this process is killed.
type plantApart struct {
	addresses terms.Addresses
	in        io.Writer
	end       context.CancelFunc
	wait      func() error // for the process
	said      bytes.Buffer // on its standard error; complete after wait
}

// openPlant starts the program of the practice plant and waits until its ports are open.
func openPlant(ctx context.Context, speed float64, faults []terms.Fault) (practicePlant, error) {
	program, err := findPlant()
	if err != nil {
		return nil, fmt.Errorf("practice plant: %w", err)
	}
	args := []string{"--led", "--speed", strconv.FormatFloat(speed, 'g', -1, 64)}
	for _, f := range faults {
		args = append(args, "--fault", f.String())
	}
	p := &plantApart{}
	ctx, p.end = context.WithCancel(ctx)
	cmd := exec.CommandContext(ctx, program, args...)
	cmd.Stderr = &p.said
	cmd.SysProcAttr = &syscall.SysProcAttr{Setpgid: true} // a terminal's Ctrl-C is for the daemon, which ends its plant
	in, err := cmd.StdinPipe()
	if err != nil {
		return nil, fmt.Errorf("practice plant: %w", err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, fmt.Errorf("practice plant: %w", err)
	}
	cmd.Cancel, cmd.WaitDelay = in.Close, plantEnds
	p.in, p.wait = in, sync.OnceValue(cmd.Wait)
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("practice plant: %w", err)
	}
	if p.addresses, err = terms.ReadAddresses(bufio.NewReader(out)); err != nil {
		_ = p.Close()
		return nil, p.because(err)
	}
	return p, nil
}

// findPlant looks beside this program and in the folder lib beside its own: /usr/lib/roundsman for /usr/bin/roundsman.
func findPlant() (string, error) {
	own, err := os.Executable()
	if err == nil {
		own, err = filepath.EvalSymlinks(own)
	}
	if err != nil {
		return "", err
	}
	beside, lib := filepath.Join(filepath.Dir(own), plantProgram), filepath.Join(filepath.Dir(own), "..", "lib", "roundsman", plantProgram)
	for _, path := range []string{beside, lib} {
		if _, err := os.Stat(path); err == nil {
			return path, nil
		}
	}
	return "", fmt.Errorf("its program is neither %s nor %s", beside, lib)
}

func (p *plantApart) Addresses() terms.Addresses { return p.addresses }

// Run lets the plant begin, and ends it with the context.
func (p *plantApart) Run(ctx context.Context) error {
	stop := context.AfterFunc(ctx, p.end)
	defer stop()
	_, err := io.WriteString(p.in, "run\n")
	if ended := p.wait(); err == nil {
		err = ended
	}
	if ctx.Err() != nil {
		return nil
	}
	if err == nil {
		err = errors.New("its program ended by itself")
	}
	return p.because(err)
}

// Close ends the plant and waits for its process.
func (p *plantApart) Close() error {
	p.end()
	_ = p.wait() // ended by us
	return nil
}

// because returns the plant's own words where it said any. To be called after its end.
func (p *plantApart) because(err error) error {
	if said := strings.TrimSpace(p.said.String()); said != "" {
		return errors.New(strings.TrimPrefix(said, plantProgram+": "))
	}
	return fmt.Errorf("practice plant: %w", err)
}
