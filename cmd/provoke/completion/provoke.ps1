# Completion of provoke for PowerShell. The words come from the program itself.
Register-ArgumentCompleter -Native -CommandName provoke, provoke.exe -ScriptBlock {
    param($word, $tree, $cursor)
    $before = @($tree.CommandElements | Where-Object { $_.Extent.EndOffset -lt $cursor } | ForEach-Object { $_.Extent.Text })
    $program = $before[0]
    $before = @($before | Select-Object -Skip 1)
    $kind, $lines = & $program complete '--' @before "=$word" 2>$null
    $flag = if ($word -match '^--[^=]*=') { $Matches[0] } else { '' }
    $cur = $word.Substring($flag.Length)
    if ($kind -eq 'words') {
        foreach ($line in $lines) {
            $value, $help = $line -split "`t", 2
            if (-not $help) { $help = $value }
            [System.Management.Automation.CompletionResult]::new($flag + $value, $value, 'ParameterValue', $help)
        }
    } elseif ($kind -like 'f*') {
        $ending = if ($kind -like 'files *') { $kind.Substring(6) } else { '' }
        Get-ChildItem -Path "$cur*" |
            Where-Object { $_.PSIsContainer -or ($kind -ne 'folders' -and $_.Name.EndsWith($ending)) } |
            ForEach-Object {
                $name = Join-Path (Split-Path "$cur*") $_.Name
                $text = if ($name -match '\s') { "'$flag$name'" } else { $flag + $name }
                [System.Management.Automation.CompletionResult]::new($text, $_.Name, 'ProviderItem', $name)
            }
    }
}
