package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"golang.org/x/term"

	"roundsman/configs"
	"roundsman/exporter/signin"
)

// personFlags are what the person commands are told.
type personFlags struct {
	role, shown, password, file string
}

func personCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "person",
		Short: "Add, list and remove people who sign in to the pages",
		Long: `Person changes the file of those who sign in to the pages: people.passwords beside the site file, or where passwords
under panel says. It holds no password, only argon2id hashes, and must be readable by its owner alone. The running daemon
takes a change over within a second; whoever gets a new password or is removed is signed out everywhere.

A viewer looks, an operator also acts on alarms. A password is never an argument: it is asked for at the terminal, or
read from the file that --password-file names ('-' is standard input).`,
		Args: exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error { return cmd.Help() },
	}
	cmd.AddCommand(personAdd(), personList(), personRemove(), personPassword())
	return cmd
}

// personRun reads the site's accounts, lets change work on them, and keeps what it returns; nil: as it was.
func (f *personFlags) personRun(cmd *cobra.Command, path string, change func(site *configs.Site, list []signin.Account) ([]signin.Account, error)) error {
	site, err := loadSite(path, cmd.OutOrStdout())
	if err != nil {
		return err
	}
	file := f.file
	if file == "" {
		file = beside(path, site.Panel.Passwords)
	}
	list, err := readAccounts(file)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	list, err = change(site, list)
	if err != nil || list == nil {
		return err
	}
	return writePrivate(file, []byte(signin.Format(list)))
}

func (f *personFlags) addFile(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.file, "file", "", "`FILE` of accounts, instead of the site file's")
}

func (f *personFlags) addPassword(cmd *cobra.Command) {
	cmd.Flags().StringVar(&f.password, "password-file", "", "`FILE` that holds the password; '-' is standard input")
}

func personAdd() *cobra.Command {
	var f personFlags
	cmd := &cobra.Command{
		Use:   "add SITE.yaml NAME --role viewer|operator",
		Short: "Let somebody sign in",
		Long: `Add lets somebody sign in by a short name, such as n.quill. Somebody of that name in the contacts file is shown by the
name there, unless --shown says another.`,
		Args: exactly("SITE.yaml", "NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			role, err := f.vet(args[1])
			if err != nil {
				return usageError{err}
			}
			return f.personRun(cmd, args[0], func(site *configs.Site, list []signin.Account) ([]signin.Account, error) {
				a := signin.Account{Name: args[1], Role: role, Shown: f.shown}
				if indexOf(list, a.Name) >= 0 {
					return nil, fmt.Errorf("%s is there already; 'person password' sets a new password", a.Name)
				}
				if len(list) >= signin.MostAccounts {
					return nil, fmt.Errorf("there are %d people already", len(list))
				}
				if a.Shown == "" {
					a.Shown = contactName(site, a.Name)
				}
				return f.withPassword(cmd, append(list, a), len(list))
			})
		},
	}
	cmd.Flags().StringVar(&f.role, "role", "", "`ROLE`: viewer or operator")
	cmd.Flags().StringVar(&f.shown, "shown", "", "`NAME` as pages and journal show it")
	f.addPassword(cmd)
	f.addFile(cmd)
	return cmd
}

func (f *personFlags) vet(name string) (signin.Role, error) {
	if f.role == "" {
		return 0, errors.New("--role is missing: viewer or operator?")
	}
	role, err := signin.ParseRole(f.role)
	if err != nil {
		return 0, fmt.Errorf("--role: %w", err)
	}
	if err := signin.CheckName(name); err != nil {
		return 0, err
	}
	if err := signin.CheckShown(f.shown); err != nil {
		return 0, fmt.Errorf("--shown: %w", err)
	}
	return role, nil
}

// contactName is the name that the contacts file has for a short name, if it can be shown.
func contactName(site *configs.Site, id string) string {
	for _, p := range site.People {
		if p.ID == id && signin.CheckShown(p.Name) == nil {
			return strings.Join(strings.Fields(p.Name), " ")
		}
	}
	return ""
}

func indexOf(list []signin.Account, name string) int {
	return slices.IndexFunc(list, func(a signin.Account) bool { return a.Name == name })
}

func personList() *cobra.Command {
	var f personFlags
	cmd := &cobra.Command{
		Use:   "list SITE.yaml",
		Short: "List who may sign in",
		Args:  exactly("SITE.yaml"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.personRun(cmd, args[0], func(_ *configs.Site, list []signin.Account) ([]signin.Account, error) {
				for _, a := range list {
					fmt.Fprintln(cmd.OutOrStdout(), strings.TrimRight(fmt.Sprintf("%-20s %-9s %s", a.Name, a.Role, a.Shown), " "))
				}
				return nil, nil
			})
		},
	}
	f.addFile(cmd)
	return cmd
}

func personRemove() *cobra.Command {
	var f personFlags
	cmd := &cobra.Command{
		Use:   "remove SITE.yaml NAME",
		Short: "Let somebody sign in no more, and sign them out everywhere",
		Args:  exactly("SITE.yaml", "NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.personRun(cmd, args[0], func(_ *configs.Site, list []signin.Account) ([]signin.Account, error) {
				i, err := accountOf(list, args[1])
				if err != nil {
					return nil, err
				}
				return slices.Delete(list, i, i+1), nil
			})
		},
	}
	f.addFile(cmd)
	return cmd
}

// accountOf finds an account that must be there.
func accountOf(list []signin.Account, name string) (int, error) {
	i := indexOf(list, name)
	if i < 0 {
		return i, fmt.Errorf("nobody signs in as %q; 'person list' says who does", name)
	}
	return i, nil
}

func personPassword() *cobra.Command {
	var f personFlags
	cmd := &cobra.Command{
		Use:   "password SITE.yaml NAME",
		Short: "Give somebody a new password, and sign them out everywhere",
		Args:  exactly("SITE.yaml", "NAME"),
		RunE: func(cmd *cobra.Command, args []string) error {
			return f.personRun(cmd, args[0], func(_ *configs.Site, list []signin.Account) ([]signin.Account, error) {
				i, err := accountOf(list, args[1])
				if err != nil {
					return nil, err
				}
				return f.withPassword(cmd, list, i)
			})
		},
	}
	f.addPassword(cmd)
	f.addFile(cmd)
	return cmd
}

// withPassword gives the account at i a password that is asked for.
func (f *personFlags) withPassword(cmd *cobra.Command, list []signin.Account, i int) ([]signin.Account, error) {
	password, err := f.readPassword(cmd, list[i].Name)
	if err != nil {
		return nil, err
	}
	if err := signin.CheckPassword(list[i].Name, password); err != nil {
		return nil, err
	}
	list[i].Hash = signin.DefaultCost.NewHash(password)
	return list, nil
}

// readPassword reads it from a file, from standard input, or twice from a terminal that does not show it.
func (f *personFlags) readPassword(cmd *cobra.Command, name string) (string, error) {
	if f.password != "" && f.password != "-" {
		password, err := configs.ReadSecret(f.password)
		if err != nil {
			return "", fmt.Errorf("password-file %w", err)
		}
		return password, nil
	}
	in := cmd.InOrStdin()
	if t, ok := in.(*os.File); ok && f.password == "" && term.IsTerminal(int(t.Fd())) {
		return askTwice(cmd.ErrOrStderr(), int(t.Fd()), name)
	}
	line, err := bufio.NewReader(io.LimitReader(in, signin.LongestPassword+2)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return "", fmt.Errorf("password: %w", err)
	}
	if line = strings.TrimRight(line, "\r\n"); line == "" {
		return "", errors.New("the password is empty: type it at a terminal, or give it with --password-file")
	}
	return line, nil
}

func askTwice(out io.Writer, fd int, name string) (string, error) {
	var typed [2]string
	for i, ask := range []string{"password for " + name, "the same again"} {
		fmt.Fprintf(out, "%s: ", ask)
		text, err := term.ReadPassword(fd)
		fmt.Fprintln(out)
		if err != nil {
			return "", fmt.Errorf("password: %w", err)
		}
		typed[i] = string(text)
	}
	if typed[0] != typed[1] {
		return "", errors.New("the two passwords differ")
	}
	return typed[0], nil
}
