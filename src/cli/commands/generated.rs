//! Shell completions and the manual page, generated from the arguments.

use crate::fault::InputFault;

/// Completions for `shell`.
pub(crate) fn completions(shell: clap_complete::Shell, command: &mut clap::Command) -> String {
    // Rendered to memory first: the generator panics on a closed pipe.
    let mut bytes = Vec::new();
    clap_complete::generate(shell, command, "ebbmark", &mut bytes);
    String::from_utf8_lossy(&bytes).into_owned()
}

/// The manual page in roff, the commands' own pages after the main one.
pub(crate) fn manual(command: clap::Command) -> Result<Vec<u8>, InputFault> {
    let mut page = Vec::new();
    let mut command = command;
    command.build();
    let render = |command: clap::Command, page: &mut Vec<u8>| {
        clap_mangen::Man::new(command).render(page).map_err(|error| {
            InputFault::of_file(
                "manual page",
                format!("cannot be made: {error}"),
                "report this as a defect of ebbmark",
            )
        })
    };
    render(command.clone(), &mut page)?;
    for sub in command.get_subcommands().filter(|sub| sub.get_name() != "help") {
        render(sub.clone(), &mut page)?;
    }
    Ok(page)
}
