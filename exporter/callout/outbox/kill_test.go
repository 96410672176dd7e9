package outbox_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"roundsman/collector"
	"roundsman/exporter/callout"
	"roundsman/exporter/callout/desk"
	"roundsman/exporter/callout/outbox"
	"roundsman/exporter/record"
	"roundsman/exporter/record/recordtest"
)

// childEnv makes the test binary the process that is killed.
const childEnv = "ROUNDSMAN_OUTBOX_CHILD"

func TestMain(m *testing.M) {
	if os.Getenv(childEnv) != "" {
		if err := sendUntilKilled(os.Args[1], os.Args[2], os.Args[3]); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

const killChannels = 8

// counted is a channel whose far side is a file: what it wrote has arrived, whatever happens to the process.
type counted struct {
	name string
	to   *os.File
}

func (c *counted) Kind() string { return "sms" }

func (c *counted) Send(_ context.Context, m *callout.Message) (callout.Receipt, error) {
	_, err := fmt.Fprintf(c.to, "%s %d %v\n", m.Key, m.Try, m.Repeat)
	return callout.Receipt{}, err
}

// sendUntilKilled is the child: it queues as many messages as are asked for, in one change, and sends all that wait.
func sendUntilKilled(path, arrived, queue string) error {
	n, err := strconv.Atoi(queue)
	if err != nil {
		return err
	}
	clock := collector.NewClock()
	rec, err := record.Open(path, record.Options{Clock: clock, Reserve: -1})
	if err != nil {
		return err
	}
	to, err := os.OpenFile(arrived, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
	if err != nil {
		return err
	}
	channels := map[string]callout.Channel{}
	for i := range killChannels {
		name := fmt.Sprint("c", i)
		channels[name] = &counted{name, to}
	}
	d, err := desk.New(desk.Options{})
	if err != nil {
		return err
	}
	sender := callout.NewSender(callout.SenderOptions{Clock: clock})
	sender.Use(channels, nil)
	box := outbox.New(outbox.Options{Clock: clock, Desk: d, Sender: sender})
	kept, err := rec.Restore()
	if err != nil {
		return err
	}
	if err := box.Restore(clock.Now(), &kept, nil); err != nil {
		return err
	}
	if err := fillQueue(rec, sender, clock, n); err != nil {
		return err
	}
	fmt.Println("ready")
	return judge(rec, sender, box, clock)
}

func fillQueue(rec *record.Record, sender *callout.Sender, clock *collector.Clock, n int) error {
	var list []callout.Dispatch
	change := record.Change{At: clock.Now()}
	for i := range n {
		d := callout.Dispatch{Message: callout.Message{Key: fmt.Sprint("m", i), Short: "Ardenmoor AIR header 5.3 bar, low 5.5"}, Contact: "ann", Made: clock.Now(),
			Addresses: []callout.Address{{Channel: fmt.Sprint("c", i%killChannels), To: "+3535550000"}}}
		list = append(list, d)
		change.KeepSending(outbox.Sending(&d))
	}
	if n == 0 {
		return nil
	}
	if err := rec.Commit(&change); err != nil {
		return err
	}
	sender.Give(list...)
	return nil
}

// judge is the goroutine that owns the record, until nothing waits any more.
func judge(rec *record.Record, sender *callout.Sender, box *outbox.Outbox, clock *collector.Clock) error {
	ctx, cancel := context.WithCancel(context.Background())
	var wg sync.WaitGroup
	defer wg.Wait()
	defer cancel()
	wg.Go(func() { _ = sender.Run(ctx) })
	var change record.Change
	look := time.NewTicker(10 * time.Millisecond)
	defer look.Stop()
	for sender.Status().Waiting > 0 {
		var first callout.Report
		select {
		case first = <-sender.Reports():
		case <-look.C: // the last one is only being put away
			continue
		}
		change.Clear()
		change.At = clock.Now()
		box.Report(change.At, first, &change)
		for more := true; more; {
			select {
			case r := <-sender.Reports():
				box.Report(change.At, r, &change)
			default:
				more = false
			}
		}
		if err := rec.Commit(&change); err != nil {
			return err
		}
		box.Committed()
	}
	return rec.Close()
}

// 10,000 queued messages and kills in the middle of sending: every one arrives, none more often than twice, and those
// that came twice say so.
func TestKilledWhileSending(t *testing.T) {
	messages, kills := 10_000/fewer, 8
	if testing.Short() {
		messages = 1000
	}
	folder := t.TempDir()
	path, arrived := filepath.Join(folder, "roundsman.db"), filepath.Join(folder, "arrived")
	random := rand.New(rand.NewPCG(10, 4))
	queue := messages
	for life := 0; ; life++ {
		cmd := exec.CommandContext(t.Context(), os.Args[0], path, arrived, strconv.Itoa(queue))
		cmd.Env = append(os.Environ(), childEnv+"=1")
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		if line, err := bufio.NewReader(out).ReadString('\n'); line != "ready\n" {
			t.Fatalf("life %d: %q, %v", life, line, err)
		}
		queue = 0
		if life < kills { // after so many more have arrived, and then at any instant of the next ones
			want := count(t, arrived) + 1 + random.IntN(messages/(kills+2))
			for range 60_000 {
				if count(t, arrived) >= want {
					break
				}
				time.Sleep(time.Millisecond)
			}
			time.Sleep(time.Duration(random.IntN(3000)) * time.Microsecond)
			_ = cmd.Process.Kill()
			_ = cmd.Wait()
			continue
		}
		_, _ = io.Copy(io.Discard, out)
		if err := cmd.Wait(); err != nil {
			t.Fatalf("the last life: %v", err)
		}
		break
	}
	hold(t, arrived, messages, kills)
	recordtest.Check(t, path)
}

func count(t *testing.T, path string) int {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		t.Fatal(err)
	}
	return strings.Count(string(text), "\n")
}

func hold(t *testing.T, arrived string, messages, kills int) {
	t.Helper()
	text, err := os.ReadFile(arrived)
	if err != nil {
		t.Fatal(err)
	}
	times := map[string]int{}
	doubled := 0
	for l := range strings.Lines(string(text)) {
		key, rest, _ := strings.Cut(strings.TrimSpace(l), " ")
		if times[key]++; times[key] > 1 {
			doubled++
			if !strings.HasSuffix(rest, "true") {
				t.Errorf("%s came again without a mark: %s", key, rest)
			}
		}
		if times[key] > 2 {
			t.Errorf("%s came %d times", key, times[key])
		}
	}
	if len(times) != messages {
		t.Errorf("%d of %d messages arrived", len(times), messages)
	}
	if most := kills * killChannels; doubled > most {
		t.Errorf("%d came twice after %d kills, at most %d can", doubled, kills, most)
	}
	t.Logf("%d of %d messages arrived after %d kills, %d of them twice", len(times), messages, kills, doubled)
}
