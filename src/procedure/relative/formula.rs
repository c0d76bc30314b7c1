//! Reads the reference of a relative limit: names, what stands between them, and lists.

/// The reference as written.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum WrittenReference {
    /// Terms, each with whether it is subtracted, its factors and what it is divided by.
    Sum(Vec<(bool, Vec<Name>, Vec<Name>)>),
    /// `sum of` a list: each may be a set.
    SumOf(Vec<Name>),
    /// `mean of` a list.
    Mean(Vec<Name>),
    /// The steps of the other circuits with the same role.
    Siblings,
}

/// A name as written, and whether it says that it is a channel's.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Name {
    pub text: String,
    pub is_channel: bool,
}

enum FormulaToken {
    Name(Name),
    Plus,
    Minus,
    Times,
    Over,
    Comma,
}

/// Reads what a limit refers to; none where it is not a formula or a list of names.
pub(super) fn formula(text: &str) -> Option<WrittenReference> {
    let text = text.trim();
    if text.eq_ignore_ascii_case("siblings") {
        return Some(WrittenReference::Siblings);
    }
    let list = |rest: &str| -> Option<Vec<Name>> {
        let mut names = Vec::new();
        let mut is_name_next = true;
        for token in tokens(rest)? {
            match token {
                FormulaToken::Name(name) if is_name_next => names.push(name),
                FormulaToken::Comma if !is_name_next => {}
                _ => return None,
            }
            is_name_next = !is_name_next;
        }
        (!is_name_next).then_some(names)
    };
    if let Some(rest) = text.strip_prefix("sum of ") {
        return list(rest).map(WrittenReference::SumOf);
    }
    if let Some(rest) = text.strip_prefix("mean of ") {
        return list(rest).map(WrittenReference::Mean);
    }
    let mut terms: Vec<(bool, Vec<Name>, Vec<Name>)> = vec![(false, Vec::new(), Vec::new())];
    let mut is_over = false;
    let mut is_name_next = true;
    for token in tokens(text)? {
        let term = terms.last_mut()?;
        match (token, is_name_next) {
            (FormulaToken::Name(name), true) => {
                if is_over {
                    term.2.push(name)
                } else {
                    term.1.push(name)
                }
            }
            (FormulaToken::Times, false) => is_over = false,
            (FormulaToken::Over, false) => is_over = true,
            (FormulaToken::Plus, false) => {
                terms.push((false, Vec::new(), Vec::new()));
                is_over = false;
            }
            (FormulaToken::Minus, false) => {
                terms.push((true, Vec::new(), Vec::new()));
                is_over = false;
            }
            _ => return None,
        }
        is_name_next = !is_name_next;
    }
    (!is_name_next).then_some(WrittenReference::Sum(terms))
}

/// Names and what stands between them; none where a quote is not closed or a name is empty.
fn tokens(text: &str) -> Option<Vec<FormulaToken>> {
    let mut tokens = Vec::new();
    let mut bare = String::new();
    let mut rest = text;
    while let Some(c) = rest.chars().next() {
        let blank_before = bare.is_empty() || bare.ends_with(char::is_whitespace);
        let after = &rest[c.len_utf8()..];
        let blank_after = after.is_empty() || after.starts_with(char::is_whitespace);
        let operator = match c {
            '*' | '×' | '·' => Some(FormulaToken::Times),
            '/' => Some(FormulaToken::Over),
            ',' => Some(FormulaToken::Comma),
            '+' if blank_before && blank_after => Some(FormulaToken::Plus),
            '-' | '\u{2212}' if blank_before && blank_after => Some(FormulaToken::Minus),
            _ => None,
        };
        if let Some(operator) = operator {
            flush(&mut bare, &mut tokens);
            tokens.push(operator);
            rest = after;
        } else if blank_before && rest.starts_with("and ") && !bare.trim().is_empty() {
            flush(&mut bare, &mut tokens);
            tokens.push(FormulaToken::Comma);
            rest = &rest["and ".len()..];
        } else if (c == '\'' || c == '"') && blank_before {
            let is_channel = bare.trim() == "channel";
            if !is_channel && !bare.trim().is_empty() {
                return None;
            }
            bare.clear();
            let end = after.find(c)?;
            let name = after[..end].trim();
            if name.is_empty() {
                return None;
            }
            tokens.push(FormulaToken::Name(Name { text: name.to_owned(), is_channel }));
            rest = after[end + 1..].trim_start();
            if rest.strip_prefix("and ").is_some() {
                tokens.push(FormulaToken::Comma);
                rest = &rest["and ".len()..];
            }
        } else {
            bare.push(c);
            rest = after;
        }
    }
    flush(&mut bare, &mut tokens);
    Some(tokens)
}

fn flush(bare: &mut String, tokens: &mut Vec<FormulaToken>) {
    let text = bare.trim();
    let (text, is_channel) = match text.strip_prefix("channel ") {
        Some(channel) => (channel.trim(), true),
        None => (text, false),
    };
    if !text.is_empty() {
        tokens.push(FormulaToken::Name(Name { text: text.to_owned(), is_channel }));
    }
    bare.clear();
}
