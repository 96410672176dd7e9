package signin

import (
	"bufio"
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"
)

// Role is what a person may do.
type Role uint8

// Roles. A viewer sees everything and changes nothing.
const (
	Viewer Role = iota + 1
	Operator
)

// String returns the word for the role.
func (r Role) String() string {
	switch r {
	case Viewer:
		return "viewer"
	case Operator:
		return "operator"
	}
	return "no role"
}

// ParseRole reads the word for a role.
func ParseRole(word string) (Role, error) {
	for _, r := range []Role{Viewer, Operator} {
		if r.String() == word {
			return r, nil
		}
	}
	return 0, fmt.Errorf("%q is no role; there are viewer and operator", clip(word))
}

// Account is one person who may sign in.
type Account struct {
	Name  string // short, as typed when signing in: 'n.quill'
	Role  Role
	Hash  Hash
	Shown string // as pages and journal show them; "": as Name
}

func (a *Account) shown() string {
	if a.Shown == "" {
		return a.Name
	}
	return a.Shown
}

func (a *Account) who() Who { return Who{Name: a.Name, Shown: a.shown(), Role: a.Role} }

func find(accounts []Account, name string) (Account, bool) {
	i := slices.IndexFunc(accounts, func(a Account) bool { return a.Name == name })
	if i < 0 {
		return Account{}, false
	}
	return accounts[i], true
}

const (
	// MostAccounts of a file.
	MostAccounts = 200
	// MostBytes of a file of accounts.
	MostBytes   = 64 << 10
	longestName = 40
	longestWord = 80 // of a shown name, in letters
)

// head begins a file of accounts.
const head = "# Who may sign in to Roundsman: name, role, password as argon2id hash (RFC 9106), name as shown.\n" +
	"# Changed by 'roundsman person'; passwords cannot be read back from it.\n"

// Format writes accounts as a file.
func Format(accounts []Account) string {
	var b strings.Builder
	b.WriteString(head)
	for _, a := range accounts {
		fmt.Fprintln(&b, strings.TrimSpace(fmt.Sprintf("%s %s %s %s", a.Name, a.Role, a.Hash, a.Shown)))
	}
	return b.String()
}

// Parse reads a file of accounts strictly: one line a person, '#' begins a line that is a remark. The error holds all
// that is wrong, each with its line; what a line holds is quoted only as far as it is no hash.
func Parse(text string) ([]Account, error) {
	var out []Account
	var errs []error
	lines := bufio.NewScanner(strings.NewReader(text))
	lines.Buffer(nil, MostBytes+1)
	for n := 1; lines.Scan(); n++ {
		line := strings.TrimSpace(lines.Text())
		if line == "" || strings.HasPrefix(line, "#") {
			continue
		}
		a, err := parseLine(line)
		if err == nil && slices.ContainsFunc(out, func(b Account) bool { return b.Name == a.Name }) {
			err = fmt.Errorf("%s is there twice", a.Name)
		}
		if err != nil {
			errs = append(errs, fmt.Errorf("line %d: %w", n, err))
			continue
		}
		out = append(out, a)
	}
	if err := lines.Err(); err != nil {
		errs = append(errs, err)
	}
	if len(out) > MostAccounts {
		errs = append(errs, fmt.Errorf("more than %d people", MostAccounts))
	}
	if len(errs) > 0 {
		return nil, errors.Join(errs...)
	}
	return out, nil
}

func parseLine(line string) (a Account, err error) {
	fields := strings.Fields(line)
	if len(fields) < 3 {
		return a, errors.New("expected name, role, hash and, if it differs, the name as shown")
	}
	a.Name, a.Shown = fields[0], strings.Join(fields[3:], " ")
	if err := CheckName(a.Name); err != nil {
		return a, err
	}
	if err := CheckShown(a.Shown); err != nil {
		return a, fmt.Errorf("%s: %w", a.Name, err)
	}
	if a.Role, err = ParseRole(fields[1]); err != nil {
		return a, fmt.Errorf("%s: %w", a.Name, err)
	}
	if a.Hash, err = ParseHash(fields[2]); err != nil {
		return a, fmt.Errorf("%s: %w", a.Name, err)
	}
	return a, nil
}

// CheckName says what is wrong with a short name.
func CheckName(name string) error {
	wrong := func(c rune) bool {
		return !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || strings.ContainsRune("._-", c))
	}
	switch {
	case name == "":
		return errors.New("the name is empty")
	case len(name) > longestName:
		return fmt.Errorf("the name has more than %d letters", longestName)
	case strings.ContainsFunc(name, wrong):
		return fmt.Errorf("%q is no name: small letters a to z, digits, '.', '_' and '-'", clip(name))
	}
	return nil
}

// CheckShown says what is wrong with a name as shown.
func CheckShown(name string) error {
	switch {
	case utf8.RuneCountInString(name) > longestWord:
		return fmt.Errorf("the name as shown has more than %d letters", longestWord)
	case !utf8.ValidString(name), strings.ContainsFunc(name, func(c rune) bool { return !unicode.IsPrint(c) }):
		return errors.New("the name as shown holds a character that cannot be printed")
	}
	return nil
}

func clip(s string) string {
	if len(s) > longestName {
		s = s[:longestName] + "..."
	}
	return strings.ToValidUTF8(s, "?")
}
