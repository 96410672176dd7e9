package main

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"net/netip"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"roundsman/configs"
	"roundsman/exporter/certificate"
	"roundsman/exporter/panel"
)

const (
	// lookEvery is how often it is looked whether the certificate was renewed.
	lookEvery = time.Minute
	// longestPEM is the longest file of a certificate or key, in bytes.
	longestPEM = 256 << 10
)

// listen opens the address of the pages, with TLS if the site says so, and returns it as a URL.
func (d *daemon) listen(path string) (net.Listener, string, error) {
	cert, err := newCertificate(d.site, path)
	if err != nil {
		return nil, "", fmt.Errorf("listen: %w", err)
	}
	where := d.site.Listen
	if d.set.address != "" {
		where.Address = d.set.address // that daemon may have been given any free port
	}
	l, address, err := listenOn(where)
	if err != nil {
		return nil, "", err
	}
	l = newCrowd(l, d.log)
	if cert == nil {
		return l, address, nil
	}
	d.cert = cert
	d.judge.self.others = append(d.judge.self.others, cert.Trouble)
	d.add("certificate", func(ctx context.Context) error { return d.renew(ctx, cert) })
	d.log.Info("certificate", "sha256", certificate.Fingerprint(cert.Leaf()), "until", cert.Leaf().NotAfter)
	if trouble := cert.Trouble(); trouble != "" {
		d.log.Error("certificate", "error", trouble)
	}
	return tls.NewListener(l, cert.Config()), strings.Replace(address, "http:", "https:", 1), nil
}

// newCertificate returns what the site is served with, nil without TLS.
func newCertificate(site *configs.Site, path string) (*certificate.Keeper, error) {
	l := site.Listen
	switch {
	case l.SelfMade:
		return certificate.New(selfMade(site, madeAt(site, path)), time.Now)
	case l.Certificate != "":
		return certificate.New(certificate.FromFiles(beside(path, l.Certificate), beside(path, l.Key), readChain, readKeyFile), time.Now)
	}
	return nil, nil
}

// madeAt is where a self-made certificate is kept: beside the record.
func madeAt(site *configs.Site, path string) string {
	name := beside(path, site.Record.Path)
	return strings.TrimSuffix(name, filepath.Ext(name)) + ".tls.pem"
}

func selfMade(site *configs.Site, file string) *certificate.SelfMade {
	names := append([]string{}, site.Listen.Names...)
	if host, _, err := net.SplitHostPort(site.Listen.Address); err == nil {
		if a, err := netip.ParseAddr(host); err == nil && !a.IsUnspecified() || err != nil && host != "" {
			names = append(names, host)
		}
	}
	return &certificate.SelfMade{Site: site.Name, Names: names, More: ownNames, Now: time.Now,
		Read:  func() ([]byte, error) { return configs.ReadPrivate(file, longestPEM) },
		Write: func(text []byte) error { return writePrivate(file, text) }}
}

// ownNames are by what this box can be asked.
func ownNames() []string {
	names := []string{"localhost", "127.0.0.1", "::1"}
	if host, err := os.Hostname(); err == nil && host != "" && !strings.ContainsAny(host, "_ ") {
		names = append(names, host)
		if !strings.Contains(host, ".") {
			names = append(names, host+".local") // RFC 6762
		}
	}
	for _, a := range ownAddresses() {
		names = append(names, a.String())
	}
	return names
}

// ownAddresses are those of the box that others can reach, IPv4 first.
func ownAddresses() (out []netip.Addr) {
	all, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	for _, four := range []bool{true, false} {
		for _, a := range all {
			if p, err := netip.ParsePrefix(a.String()); err == nil && p.Addr().Is4() == four && p.Addr().IsGlobalUnicast() {
				out = append(out, p.Addr())
			}
		}
	}
	return out
}

func readChain(path string) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, bareError(err)
	}
	defer f.Close()
	text, err := io.ReadAll(io.LimitReader(f, longestPEM))
	return text, bareError(err)
}

// readKeyFile reads a TLS key: a secret like others. The path is said by whoever asks.
func readKeyFile(path string) ([]byte, error) {
	text, err := configs.ReadPrivate(path, longestPEM)
	if err != nil {
		return nil, errors.New(strings.TrimPrefix(err.Error(), path+": "))
	}
	return text, nil
}

// bareError is an error without the path that it names.
func bareError(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}

// writePrivate puts a file that only its owner can read in the place of another, whole or not at all. Root leaves it to
// the owner of the folder, or of the file it takes the place of: the daemon must read it.
func writePrivate(path string, text []byte) error {
	f, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+"-*") // for the owner alone
	if err != nil {
		return err
	}
	_, err = f.Write(text)
	if err == nil {
		err = giveToOwner(f, path)
	}
	err = errors.Join(err, f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		_ = os.Remove(f.Name())
		return err
	}
	dir, err := os.Open(filepath.Dir(path))
	if err != nil {
		return err
	}
	return errors.Join(dir.Sync(), dir.Close())
}

// giveToOwner gives a new file, as root, to whoever owns the one at path, or the folder.
func giveToOwner(f *os.File, path string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(path)
	if err != nil {
		info, err = os.Stat(filepath.Dir(path))
	}
	if err != nil {
		return err
	}
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return f.Chown(int(st.Uid), int(st.Gid))
	}
	return nil
}

// renew looks from time to time whether there is a new certificate, and logs what changes.
func (d *daemon) renew(ctx context.Context, cert *certificate.Keeper) error {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	told := cert.Trouble()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-tick.C:
		}
		changed, err := cert.Look()
		trouble := cert.Trouble()
		switch {
		case trouble != "" && trouble != told:
			d.log.Error("certificate, the old one goes on", "error", err)
		case changed:
			d.log.Info("certificate is new", "sha256", certificate.Fingerprint(cert.Leaf()), "until", cert.Leaf().NotAfter)
		}
		told = trouble
	}
}

// shownCertificate returns what the page about the certificate shows.
func shownCertificate(site *configs.Site, leaf *x509.Certificate) panel.Certificate {
	c := panel.Certificate{Address: phoneAddress(site.Listen), Fingerprint: certificate.Fingerprint(leaf), SelfMade: site.Listen.SelfMade,
		Until: leaf.NotAfter.In(site.Zone).Format("2 January 2006")}
	var err error
	if c.Code, err = certificate.Code(certificate.Text(c.Address, c.Fingerprint)); err != nil {
		c.Code = nil // a name too long for a code: the page shows the words alone
	}
	return c
}

// phoneAddress is the URL to open on a phone: by the first name the site file gives, or the box's first address.
func phoneAddress(l configs.Listen) string {
	host, port, err := net.SplitHostPort(l.Address)
	if err != nil {
		return "https://" + l.Address
	}
	a, err := netip.ParseAddr(host)
	switch own := ownAddresses(); {
	case len(l.Names) > 0:
		host = l.Names[0]
	case (host == "" || err == nil && a.IsUnspecified()) && len(own) > 0:
		host = own[0].String()
	}
	return "https://" + net.JoinHostPort(host, port)
}

func certificateCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "certificate SITE.yaml",
		Short: "Show the fingerprint of the pages' certificate, and a code for the phone",
		Long: `Certificate shows the SHA-256 fingerprint of the certificate that the pages are served with, and a QR code of the
address and the fingerprint. A phone warns of a self-made certificate once: go on only if it shows the same fingerprint.
The daemon makes a self-made certificate at its first start.`,
		Args: exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			site, err := loadSite(args[0], cmd.OutOrStdout())
			if err != nil {
				return err
			}
			return showCertificate(cmd.OutOrStdout(), site, args[0])
		},
	}
}

func showCertificate(out io.Writer, site *configs.Site, path string) error {
	var text []byte
	var err error
	switch file := madeAt(site, path); {
	case site.Listen.SelfMade:
		if text, err = configs.ReadPrivate(file, longestPEM); errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("%s: the daemon makes the certificate at its first start", file)
		}
	case site.Listen.Certificate != "":
		file = beside(path, site.Listen.Certificate)
		if text, err = readChain(file); err != nil {
			err = fmt.Errorf("%s: %w", file, err)
		}
	default:
		return errors.New("the pages are served without TLS; certificate: self-made under listen changes that")
	}
	if err != nil {
		return err
	}
	block, _ := pem.Decode(text)
	if block == nil {
		return errors.New("the certificate's file holds no PEM")
	}
	leaf, err := x509.ParseCertificate(block.Bytes)
	if err != nil {
		return fmt.Errorf("certificate: %w", err)
	}
	c := shownCertificate(site, leaf)
	_, err = fmt.Fprintf(out, "%saddress     %s\nsha256      %s\ngood until  %s\nfor --at    '%s'\n",
		certificate.Draw(c.Code), c.Address, c.Fingerprint, c.Until, certificate.Text(c.Address, c.Fingerprint))
	return err
}
